DELETE FROM present_states WHERE entity_kind = 'trail_reviews';
DROP TABLE trail_reviews;
DROP FUNCTION joins_the_review_before();
