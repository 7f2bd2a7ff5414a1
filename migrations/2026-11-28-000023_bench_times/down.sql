DROP TABLE account_starts;
DROP TABLE late_entries;
