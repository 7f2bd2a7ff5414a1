-- Certificates of analysis (ISO/IEC 17025:2017, 7.8): the laboratory as it names itself, what was certified of which signatures,
-- the paper of each issue as it went out, who has it, and the rule that no issue goes out twice or over a result that fell.

CREATE TABLE laboratories (
    id uuid CONSTRAINT laboratories_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT laboratories_one UNIQUE CONSTRAINT laboratories_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT laboratories_supersedes_once UNIQUE CONSTRAINT laboratories_supersedes REFERENCES laboratories (id),
    reason text CONSTRAINT laboratories_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    name text NOT NULL,
    address text NOT NULL,
    contact text NOT NULL,
    accreditation text,
    status_address text,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT laboratories_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE laboratories IS 'The laboratory as its certificates name it, version by version. There is one.';
COMMENT ON COLUMN laboratories.id IS 'Identity.';
COMMENT ON COLUMN laboratories.record_id IS 'The laboratory itself, the same in all versions: the id of the first.';
COMMENT ON COLUMN laboratories.version IS 'Version, from 1; once each, as there is one laboratory.';
COMMENT ON COLUMN laboratories.supersedes IS 'Version this one follows; each can be followed once.';
COMMENT ON COLUMN laboratories.reason IS 'Reason of the new version.';
COMMENT ON COLUMN laboratories.name IS 'Name.';
COMMENT ON COLUMN laboratories.address IS 'Postal address, and where the work is done.';
COMMENT ON COLUMN laboratories.contact IS 'How it is reached: telephone, e-mail.';
COMMENT ON COLUMN laboratories.accreditation IS 'What it says of its accreditation on certificates; null if it says nothing.';
COMMENT ON COLUMN laboratories.status_address IS 'Address below which the status of a certificate is looked up, for the symbol on the certificate; null if there is none.';
COMMENT ON COLUMN laboratories.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN laboratories.recorded_by IS 'Account that recorded it.';
CREATE INDEX laboratories_recorded_by_index ON laboratories (recorded_by);
SELECT make_record_table('laboratories');

CREATE TABLE certificates (
    id uuid CONSTRAINT certificates_pk PRIMARY KEY,
    record_id uuid NOT NULL,
    version integer NOT NULL CONSTRAINT certificates_version_rule CHECK (version >= 1),
    supersedes uuid CONSTRAINT certificates_supersedes_once UNIQUE CONSTRAINT certificates_supersedes REFERENCES certificates (id),
    reason text CONSTRAINT certificates_reason_rule CHECK (supersedes IS NULL OR length(btrim(reason)) >= 5),
    year integer NOT NULL,
    running integer NOT NULL CONSTRAINT certificates_running_rule CHECK (running >= 1),
    number text NOT NULL CONSTRAINT certificates_number_rule CHECK (number ~ '^C-[0-9]{4}-[0-9]{4,}$'),
    issue integer NOT NULL CONSTRAINT certificates_issue_rule CHECK (issue >= 1),
    laboratory_id uuid NOT NULL CONSTRAINT certificates_laboratory_id REFERENCES laboratories (id),
    customer text NOT NULL,
    customer_address text NOT NULL,
    remarks text,
    what_changed text,
    specifications uuid[] NOT NULL,
    document text NOT NULL,
    content_digest text NOT NULL CONSTRAINT certificates_content_digest_rule CHECK (content_digest ~ '^[0-9a-f]{64}$'),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT certificates_recorded_by REFERENCES accounts (id),
    CONSTRAINT certificates_version_once UNIQUE (record_id, version),
    CONSTRAINT certificates_number_once UNIQUE (number, version),
    CONSTRAINT certificates_running_once UNIQUE (year, running, version),
    CONSTRAINT certificates_change CHECK ((issue = 1) = (what_changed IS NULL))
);
COMMENT ON TABLE certificates IS 'Certificates of analysis, draft by draft and issue by issue; each row is the document that can be signed, frozen.';
COMMENT ON COLUMN certificates.id IS 'Identity.';
COMMENT ON COLUMN certificates.record_id IS 'The certificate itself, the same in all its issues: the id of the first row.';
COMMENT ON COLUMN certificates.version IS 'Version, from 1, counting drafts.';
COMMENT ON COLUMN certificates.supersedes IS 'Version this one follows; each can be followed once.';
COMMENT ON COLUMN certificates.reason IS 'Why it was drawn up anew, or why the issue before is replaced.';
COMMENT ON COLUMN certificates.year IS 'Year of its number.';
COMMENT ON COLUMN certificates.running IS 'Place in that year.';
COMMENT ON COLUMN certificates.number IS 'Number, of year and place.';
COMMENT ON COLUMN certificates.issue IS 'Issue, from 1; a later one replaces the one before.';
COMMENT ON COLUMN certificates.laboratory_id IS 'The laboratory, in this version.';
COMMENT ON COLUMN certificates.customer IS 'Customer.';
COMMENT ON COLUMN certificates.customer_address IS 'Address of the customer.';
COMMENT ON COLUMN certificates.remarks IS 'Additions to, deviations from or exclusions from the method, in words; null if there is nothing to add.';
COMMENT ON COLUMN certificates.what_changed IS 'What differs from the issue before; null in the first.';
COMMENT ON COLUMN certificates.specifications IS 'Specifications of the samples, as assigned, whose statements of conformity it holds.';
COMMENT ON COLUMN certificates.document IS 'Everything it says, as JSON text, bit for bit.';
COMMENT ON COLUMN certificates.content_digest IS 'SHA-256 of that text after its heading line.';
COMMENT ON COLUMN certificates.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN certificates.recorded_by IS 'Who drew it up.';
CREATE INDEX certificates_laboratory_id_index ON certificates (laboratory_id);
CREATE INDEX certificates_recorded_by_index ON certificates (recorded_by);
SELECT make_record_table('certificates');
SELECT give_states('certificates', 'draft');

CREATE TABLE certificate_results (
    id uuid CONSTRAINT certificate_results_pk PRIMARY KEY,
    certificate_id uuid NOT NULL CONSTRAINT certificate_results_certificate_id REFERENCES certificates (id),
    position integer NOT NULL CONSTRAINT certificate_results_position_rule CHECK (position >= 1),
    result_kind text NOT NULL CONSTRAINT certificate_results_result_kind_rule CHECK (result_kind IN ('determinations','iron_results')),
    result_id uuid NOT NULL,
    sign_off_id uuid NOT NULL CONSTRAINT certificate_results_sign_off_id REFERENCES sign_offs (id),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT certificate_results_recorded_by REFERENCES accounts (id),
    CONSTRAINT certificate_results_position_once UNIQUE (certificate_id, position),
    CONSTRAINT certificate_results_once UNIQUE (certificate_id, result_id)
);
COMMENT ON TABLE certificate_results IS 'Results on certificates, each under the signature of its author that is certified.';
COMMENT ON COLUMN certificate_results.id IS 'Identity.';
COMMENT ON COLUMN certificate_results.certificate_id IS 'The certificate, in this version.';
COMMENT ON COLUMN certificate_results.position IS 'Order on the certificate.';
COMMENT ON COLUMN certificate_results.result_kind IS 'determinations or iron_results.';
COMMENT ON COLUMN certificate_results.result_id IS 'The result.';
COMMENT ON COLUMN certificate_results.sign_off_id IS 'Signature of its author.';
COMMENT ON COLUMN certificate_results.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN certificate_results.recorded_by IS 'Account that recorded it.';
CREATE INDEX certificate_results_result_id_index ON certificate_results (result_id);
CREATE INDEX certificate_results_sign_off_id_index ON certificate_results (sign_off_id);
CREATE INDEX certificate_results_recorded_by_index ON certificate_results (recorded_by);
SELECT make_record_table('certificate_results');

CREATE TABLE certificate_papers (
    id uuid CONSTRAINT certificate_papers_pk PRIMARY KEY,
    certificate_id uuid NOT NULL CONSTRAINT certificate_papers_once UNIQUE CONSTRAINT certificate_papers_certificate_id REFERENCES certificates (id),
    pdf bytea NOT NULL,
    pdf_digest text NOT NULL CONSTRAINT certificate_papers_pdf_digest_rule CHECK (pdf_digest = encode(sha256(pdf), 'hex')),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT certificate_papers_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE certificate_papers IS 'The document of each issue as it went out: the same bytes for ever, whatever program reads them later.';
COMMENT ON COLUMN certificate_papers.id IS 'Identity.';
COMMENT ON COLUMN certificate_papers.certificate_id IS 'The issue.';
COMMENT ON COLUMN certificate_papers.pdf IS 'The document, PDF/A.';
COMMENT ON COLUMN certificate_papers.pdf_digest IS 'SHA-256 of the document.';
COMMENT ON COLUMN certificate_papers.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN certificate_papers.recorded_by IS 'Account that authorised it.';
CREATE INDEX certificate_papers_recorded_by_index ON certificate_papers (recorded_by);
SELECT make_record_table('certificate_papers', 'pdf');

CREATE TABLE certificate_copies (
    id uuid CONSTRAINT certificate_copies_pk PRIMARY KEY,
    certificate_id uuid NOT NULL CONSTRAINT certificate_copies_certificate_id REFERENCES certificates (id),
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT certificate_copies_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE certificate_copies IS 'Documents of issues that were taken out of the service.';
COMMENT ON COLUMN certificate_copies.id IS 'Identity.';
COMMENT ON COLUMN certificate_copies.certificate_id IS 'The issue.';
COMMENT ON COLUMN certificate_copies.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN certificate_copies.recorded_by IS 'Who took it out.';
CREATE INDEX certificate_copies_certificate_id_index ON certificate_copies (certificate_id);
CREATE INDEX certificate_copies_recorded_by_index ON certificate_copies (recorded_by);
SELECT make_record_table('certificate_copies');

CREATE TABLE certificate_deliveries (
    id uuid CONSTRAINT certificate_deliveries_pk PRIMARY KEY,
    certificate_id uuid NOT NULL CONSTRAINT certificate_deliveries_certificate_id REFERENCES certificates (id),
    recipient text NOT NULL,
    means text NOT NULL,
    delivered_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    recorded_by uuid NOT NULL CONSTRAINT certificate_deliveries_recorded_by REFERENCES accounts (id)
);
COMMENT ON TABLE certificate_deliveries IS 'Who was sent which issue, and so is told when it is amended or withdrawn.';
COMMENT ON COLUMN certificate_deliveries.id IS 'Identity.';
COMMENT ON COLUMN certificate_deliveries.certificate_id IS 'The issue.';
COMMENT ON COLUMN certificate_deliveries.recipient IS 'Who got it.';
COMMENT ON COLUMN certificate_deliveries.means IS 'How: by e-mail, by post, by hand.';
COMMENT ON COLUMN certificate_deliveries.delivered_at IS 'When it was sent or handed over.';
COMMENT ON COLUMN certificate_deliveries.recorded_at IS 'Server time of recording.';
COMMENT ON COLUMN certificate_deliveries.recorded_by IS 'Account that recorded it.';
CREATE INDEX certificate_deliveries_certificate_id_index ON certificate_deliveries (certificate_id);
CREATE INDEX certificate_deliveries_recorded_by_index ON certificate_deliveries (recorded_by);
SELECT make_record_table('certificate_deliveries');

-- Only certified results are reported, so what left that state is what an alert looks through.
CREATE INDEX state_moves_from_reported ON state_moves (entity_id) WHERE from_state = 'reported';

-- A second guard beside the service's own: whoever issues a certificate holds it, one issue of it stands at a time, none follows a
-- withdrawal, and every result on it is approved under the signature that it names and on no other certificate that stands.
CREATE FUNCTION guard_issue() RETURNS trigger
    LANGUAGE plpgsql
AS $$
DECLARE
    record uuid;
    fallen text;
BEGIN
    IF NEW.entity_kind <> 'certificates' THEN
        RETURN NEW;
    END IF;
    SELECT record_id INTO record FROM certificates WHERE id = NEW.entity_id;
    PERFORM hold(ARRAY[record]);
    IF NEW.to_state <> 'issued' THEN
        RETURN NEW;
    END IF;
    IF EXISTS (SELECT FROM certificates c WHERE c.record_id = record AND c.id <> NEW.entity_id AND present_state(c.id, 'draft') IN ('issued', 'withdrawn')) THEN
        RAISE EXCEPTION 'another issue of it stands, or it was withdrawn' USING ERRCODE = 'check_violation', CONSTRAINT = 'certificates_one_issue';
    END IF;
    SELECT r.result_id::text INTO fallen FROM certificate_results r WHERE r.certificate_id = NEW.entity_id
        AND (present_state(r.result_id, 'in progress') NOT IN ('approved', 'reported')
             OR r.sign_off_id <> (SELECT s.id FROM sign_offs s WHERE s.entity_id = r.result_id AND s.meaning = 'authored' ORDER BY s.id DESC LIMIT 1)
             OR EXISTS (SELECT FROM certificate_results o JOIN certificates c ON c.id = o.certificate_id
                        WHERE o.result_id = r.result_id AND c.record_id <> record AND present_state(c.id, 'draft') = 'issued'))
        LIMIT 1;
    IF fallen IS NOT NULL OR NOT EXISTS (SELECT FROM certificate_results r WHERE r.certificate_id = NEW.entity_id) THEN
        RAISE EXCEPTION 'the result % is not approved as it is certified', fallen USING ERRCODE = 'check_violation', CONSTRAINT = 'certificates_results_stand';
    END IF;
    RETURN NEW;
END
$$;
COMMENT ON FUNCTION guard_issue() IS 'One issue of a certificate stands at a time, over results that are approved under the signatures it names.';
CREATE TRIGGER before_it_issued BEFORE INSERT ON state_moves FOR EACH ROW EXECUTE FUNCTION guard_issue();
