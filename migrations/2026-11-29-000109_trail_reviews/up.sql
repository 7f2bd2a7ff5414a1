-- The periodic review of the audit trail (EU GMP Annex 11, 9) as a signed record. A period is a stretch of leaves, not of time: an
-- event has one leaf, so that none falls between two reviews, whenever its transaction ended.
CREATE TABLE trail_reviews (
    id uuid CONSTRAINT trail_reviews_pk PRIMARY KEY,
    number integer NOT NULL CONSTRAINT trail_reviews_number_once UNIQUE CONSTRAINT trail_reviews_number_rule CHECK (number >= 1),
    from_size bigint NOT NULL CONSTRAINT trail_reviews_from_once UNIQUE CONSTRAINT trail_reviews_from_rule CHECK (from_size >= 0),
    until_size bigint NOT NULL CONSTRAINT trail_reviews_head REFERENCES audit_tree_heads (tree_size),
    root_hash bytea NOT NULL CONSTRAINT trail_reviews_root CHECK (length(root_hash) = 32),
    from_at timestamptz NOT NULL,
    until_at timestamptz NOT NULL,
    exclusions bigint NOT NULL CONSTRAINT trail_reviews_exclusions_rule CHECK (exclusions >= 0),
    corrections bigint NOT NULL CONSTRAINT trail_reviews_corrections_rule CHECK (corrections >= 0),
    released bigint NOT NULL CONSTRAINT trail_reviews_released_rule CHECK (released >= 0),
    refused_sign_ins bigint NOT NULL CONSTRAINT trail_reviews_refused_sign_ins_rule CHECK (refused_sign_ins >= 0),
    sign_ins bigint NOT NULL CONSTRAINT trail_reviews_sign_ins_rule CHECK (sign_ins >= 0),
    findings text NOT NULL CONSTRAINT trail_reviews_findings_rule CHECK (length(btrim(findings)) >= 5),
    nonconformities text[] NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT trail_reviews_recorded_by REFERENCES accounts (id),
    CONSTRAINT trail_reviews_period CHECK (until_size > from_size AND until_at >= from_at)
);
COMMENT ON TABLE trail_reviews IS 'Reviews of the audit trail; each begins where the one before ended.';
COMMENT ON COLUMN trail_reviews.id IS 'Identity.';
COMMENT ON COLUMN trail_reviews.number IS 'Number, from 1.';
COMMENT ON COLUMN trail_reviews.from_size IS 'Events that earlier reviews looked at: the first leaf of this one.';
COMMENT ON COLUMN trail_reviews.until_size IS 'Events up to the end of this one: the size of the signed tree head that covers it.';
COMMENT ON COLUMN trail_reviews.root_hash IS 'Root of that head.';
COMMENT ON COLUMN trail_reviews.from_at IS 'Time of the end of the review before, or of the first event.';
COMMENT ON COLUMN trail_reviews.until_at IS 'Time of signing of that head.';
COMMENT ON COLUMN trail_reviews.exclusions IS 'Exclusions in it.';
COMMENT ON COLUMN trail_reviews.corrections IS 'Corrections after a signature in it.';
COMMENT ON COLUMN trail_reviews.released IS 'Results approved in it while a control was out.';
COMMENT ON COLUMN trail_reviews.refused_sign_ins IS 'Sign-ins refused in it, and passwords set anew.';
COMMENT ON COLUMN trail_reviews.sign_ins IS 'Sign-ins and sign-outs in it.';
COMMENT ON COLUMN trail_reviews.findings IS 'What was found, in words.';
COMMENT ON COLUMN trail_reviews.nonconformities IS 'Codes of the nonconformities opened for it.';
COMMENT ON COLUMN trail_reviews.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN trail_reviews.recorded_by IS 'Who reviewed.';
CREATE INDEX trail_reviews_until_size_index ON trail_reviews (until_size);
CREATE INDEX trail_reviews_recorded_by_index ON trail_reviews (recorded_by);
SELECT make_record_table('trail_reviews');
SELECT give_states('trail_reviews', 'recorded');

CREATE FUNCTION joins_the_review_before() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    before trail_reviews := (SELECT r FROM trail_reviews r ORDER BY number DESC LIMIT 1);
BEGIN
    IF NEW.number <> coalesce(before.number, 0) + 1 OR NEW.from_size <> coalesce(before.until_size, 0)
       OR (before.id IS NOT NULL AND NEW.from_at <> before.until_at) THEN
        RAISE EXCEPTION 'a review begins where the one before ended' USING ERRCODE = 'check_violation', CONSTRAINT = 'trail_reviews_join';
    END IF;
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION joins_the_review_before() IS 'Refuses a review that does not begin where the one before ended.';
CREATE TRIGGER before_it BEFORE INSERT ON trail_reviews FOR EACH ROW EXECUTE FUNCTION joins_the_review_before();
