DROP TABLE budget_decisions;
