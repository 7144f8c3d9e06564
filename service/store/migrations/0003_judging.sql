-- Schema version 3: what each judging rested on, so that one new flight is judged without judging all others again.

CREATE TABLE change_evidence (
    name VARCHAR NOT NULL,
    airframe VARCHAR NOT NULL,
    evidence DOUBLE NOT NULL
);
COMMENT ON TABLE change_evidence IS 'Evidence of every change and stretch, as its last judging left it; which are called is decided over all of them together.';
COMMENT ON COLUMN change_evidence.name IS 'Id of the change, or name of the stretch.';
COMMENT ON COLUMN change_evidence.airframe IS 'Airframe; empty for a change over the fleet.';
COMMENT ON COLUMN change_evidence.evidence IS 'Mean e-value.';

CREATE TABLE judging (
    airframe VARCHAR NOT NULL,
    chain_seq BIGINT NOT NULL,
    basis VARCHAR NOT NULL,
    flights BIGINT NOT NULL,
    judged_at TIMESTAMP NOT NULL
);
COMMENT ON TABLE judging IS 'How far each airframe, and the fleet as a whole, was judged.';
COMMENT ON COLUMN judging.airframe IS 'Airframe; empty for the whole fleet.';
COMMENT ON COLUMN judging.chain_seq IS 'Last audit row that the judging knew of.';
COMMENT ON COLUMN judging.basis IS 'Hash of detectors, settings and thresholds it rested on; with others everything is judged anew.';
COMMENT ON COLUMN judging.flights IS 'Rows of the flight table at that time.';
COMMENT ON COLUMN judging.judged_at IS 'When.';

ALTER TABLE finding ADD COLUMN airframe VARCHAR DEFAULT '';
UPDATE finding SET airframe = json_extract_string(body, '$.airframes[0]') WHERE scope = 'airframe';
COMMENT ON COLUMN finding.airframe IS 'Airframe, so that one airframe''s findings are read without the others; empty for the whole fleet.';
