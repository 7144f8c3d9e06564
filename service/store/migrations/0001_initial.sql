-- Version 1 of the store. Times are UTC. Numbers carry their unit in the column's name; a number that
-- could not be had is NULL, never zero and never NaN.
-- No foreign keys: a log's rows are replaced as a whole when it is read again, which the engine refuses
-- for referenced rows. `trimkeep check` looks for rows that point nowhere.

CREATE TABLE log_file (
    sha256 VARCHAR PRIMARY KEY,
    airframe VARCHAR NOT NULL,
    path VARCHAR NOT NULL,
    size_bytes BIGINT NOT NULL,
    head_sha256 VARCHAR NOT NULL,
    card_hash VARCHAR NOT NULL,
    claimed_at TIMESTAMP NOT NULL,
    lease VARCHAR,
    attempts INTEGER NOT NULL,
    worker_deaths INTEGER NOT NULL,
    outcome VARCHAR,
    slug VARCHAR,
    reason VARCHAR,
    finished_at TIMESTAMP,
    superseded_by VARCHAR
);
COMMENT ON TABLE log_file IS 'One log by its content: the same bytes under two names are one row.';
COMMENT ON COLUMN log_file.sha256 IS 'SHA-256 of the whole file, hexadecimal; the identity of the log.';
COMMENT ON COLUMN log_file.airframe IS 'Airframe it belongs to: the first that had it.';
COMMENT ON COLUMN log_file.path IS 'Where it was read, relative to the fleet folder.';
COMMENT ON COLUMN log_file.size_bytes IS 'Size of the file.';
COMMENT ON COLUMN log_file.head_sha256 IS 'SHA-256 of its first bytes; finds candidates for a file that grew.';
COMMENT ON COLUMN log_file.card_hash IS 'Hash of what the airframe card says about reading; a log is read again when it differs.';
COMMENT ON COLUMN log_file.claimed_at IS 'When the newest attempt at reading began.';
COMMENT ON COLUMN log_file.lease IS 'Run that is reading it now; NULL when nobody is.';
COMMENT ON COLUMN log_file.attempts IS 'How often reading was begun, committed before each attempt.';
COMMENT ON COLUMN log_file.worker_deaths IS 'How often the worker process died of it.';
COMMENT ON COLUMN log_file.outcome IS 'ingested, no_flight or rejected; NULL until known.';
COMMENT ON COLUMN log_file.slug IS 'Kind of error of a rejected log, as in the documentation.';
COMMENT ON COLUMN log_file.reason IS 'The sentence that says why it was rejected.';
COMMENT ON COLUMN log_file.finished_at IS 'When the outcome was stored.';
COMMENT ON COLUMN log_file.superseded_by IS 'A longer log of the same airframe that starts with exactly these bytes.';

CREATE TABLE log_sighting (
    sha256 VARCHAR NOT NULL,
    path VARCHAR NOT NULL,
    airframe VARCHAR NOT NULL,
    size_bytes BIGINT NOT NULL,
    mtime_ns BIGINT NOT NULL,
    inode BIGINT NOT NULL,
    seen_at TIMESTAMP NOT NULL,
    gone_at TIMESTAMP
);
COMMENT ON TABLE log_sighting IS 'Every place a log was found at; a second one that still exists is a duplicate.';
COMMENT ON COLUMN log_sighting.sha256 IS 'Content found there.';
COMMENT ON COLUMN log_sighting.path IS 'Path relative to the fleet folder.';
COMMENT ON COLUMN log_sighting.airframe IS 'Airframe whose folder it lay in.';
COMMENT ON COLUMN log_sighting.size_bytes IS 'Size when hashed; with time and inode it lets an unchanged file be skipped.';
COMMENT ON COLUMN log_sighting.mtime_ns IS 'Modification time when hashed, nanoseconds since 1970.';
COMMENT ON COLUMN log_sighting.inode IS 'Inode when hashed.';
COMMENT ON COLUMN log_sighting.seen_at IS 'When this content was first seen there.';
COMMENT ON COLUMN log_sighting.gone_at IS 'When it was noticed that it is no longer there, or has other content.';

CREATE TABLE recording (
    log_sha256 VARCHAR NOT NULL,
    airframe VARCHAR NOT NULL,
    source VARCHAR NOT NULL,
    reader VARCHAR NOT NULL,
    reader_version INTEGER NOT NULL,
    splitter_version INTEGER NOT NULL,
    start_utc TIMESTAMP,
    clock VARCHAR NOT NULL,
    duration_s DOUBLE NOT NULL,
    firmware VARCHAR,
    board VARCHAR,
    notes VARCHAR NOT NULL,
    channels VARCHAR NOT NULL
);
COMMENT ON TABLE recording IS 'What one log says of itself; its channels are in recordings/<sha256>.parquet.';
COMMENT ON COLUMN recording.log_sha256 IS 'The log.';
COMMENT ON COLUMN recording.airframe IS 'Airframe.';
COMMENT ON COLUMN recording.source IS 'File name, for messages.';
COMMENT ON COLUMN recording.reader IS 'Reader that decoded it.';
COMMENT ON COLUMN recording.reader_version IS 'Version of that reader.';
COMMENT ON COLUMN recording.splitter_version IS 'Version of the code that found the flights.';
COMMENT ON COLUMN recording.start_utc IS 'Time zero; NULL when nothing in the log justifies one.';
COMMENT ON COLUMN recording.clock IS 'What time zero rests on.';
COMMENT ON COLUMN recording.duration_s IS 'Time of the last sample.';
COMMENT ON COLUMN recording.firmware IS 'Firmware as the log states it.';
COMMENT ON COLUMN recording.board IS 'Autopilot board as the log states it.';
COMMENT ON COLUMN recording.notes IS 'Oddities of the log, JSON list of {code, values}.';
COMMENT ON COLUMN recording.channels IS 'Names of its channels, JSON list.';

CREATE TABLE flight (
    log_sha256 VARCHAR NOT NULL,
    number INTEGER NOT NULL,
    airframe VARCHAR NOT NULL,
    started_at TIMESTAMP NOT NULL,
    clock VARCHAR NOT NULL,
    start_s DOUBLE NOT NULL,
    end_s DOUBLE NOT NULL,
    starts_airborne BOOLEAN NOT NULL,
    ends_airborne BOOLEAN NOT NULL,
    samples BIGINT NOT NULL,
    firmware VARCHAR,
    board VARCHAR,
    parameter_set VARCHAR
);
COMMENT ON TABLE flight IS 'One airborne stretch of a log.';
COMMENT ON COLUMN flight.log_sha256 IS 'The log.';
COMMENT ON COLUMN flight.number IS 'Place in the log, as the splitter numbers them.';
COMMENT ON COLUMN flight.airframe IS 'Airframe.';
COMMENT ON COLUMN flight.started_at IS 'Take-off, or the log''s start when it begins in the air; placed as well as can be justified.';
COMMENT ON COLUMN flight.clock IS 'What started_at rests on; file_name and file_time are doubtful.';
COMMENT ON COLUMN flight.start_s IS 'Start, seconds from the recording''s start.';
COMMENT ON COLUMN flight.end_s IS 'End, seconds from the recording''s start.';
COMMENT ON COLUMN flight.starts_airborne IS 'The log begins in the air.';
COMMENT ON COLUMN flight.ends_airborne IS 'The log ends in the air.';
COMMENT ON COLUMN flight.samples IS 'Airborne samples over all channels; of two recordings of one flight the richer counts.';
COMMENT ON COLUMN flight.firmware IS 'Firmware in this flight.';
COMMENT ON COLUMN flight.board IS 'Autopilot board in this flight.';
COMMENT ON COLUMN flight.parameter_set IS 'Parameters as they stood at its start; NULL when the log has none.';

CREATE TABLE segment (
    log_sha256 VARCHAR NOT NULL,
    number INTEGER NOT NULL,
    position INTEGER NOT NULL,
    start_s DOUBLE NOT NULL,
    end_s DOUBLE NOT NULL,
    mode VARCHAR NOT NULL,
    phase VARCHAR NOT NULL
);
COMMENT ON TABLE segment IS 'A stretch of a flight in one control mode and one phase.';
COMMENT ON COLUMN segment.log_sha256 IS 'The log.';
COMMENT ON COLUMN segment.number IS 'The flight in it.';
COMMENT ON COLUMN segment.position IS 'Place in the flight, 0 first.';
COMMENT ON COLUMN segment.start_s IS 'Start, seconds from the recording''s start.';
COMMENT ON COLUMN segment.end_s IS 'End, seconds from the recording''s start.';
COMMENT ON COLUMN segment.mode IS 'Control mode.';
COMMENT ON COLUMN segment.phase IS 'climb, level, turn, descent or ground.';

CREATE TABLE parameter_value (
    parameter_set VARCHAR NOT NULL,
    name VARCHAR NOT NULL,
    value DOUBLE NOT NULL
);
COMMENT ON TABLE parameter_value IS 'Sets of parameters; flights with the same values share one set.';
COMMENT ON COLUMN parameter_value.parameter_set IS 'SHA-256 of its names and values.';
COMMENT ON COLUMN parameter_value.name IS 'Name as the log gives it.';
COMMENT ON COLUMN parameter_value.value IS 'Value.';

CREATE TABLE detector_run (
    log_sha256 VARCHAR NOT NULL,
    number INTEGER NOT NULL,
    detector VARCHAR NOT NULL,
    version INTEGER NOT NULL,
    outcome VARCHAR NOT NULL,
    reason VARCHAR,
    detail VARCHAR NOT NULL
);
COMMENT ON TABLE detector_run IS 'How one detector ended on one flight. Only the newest version is kept.';
COMMENT ON COLUMN detector_run.log_sha256 IS 'The log.';
COMMENT ON COLUMN detector_run.number IS 'The flight in it.';
COMMENT ON COLUMN detector_run.detector IS 'Detector.';
COMMENT ON COLUMN detector_run.version IS 'Its version; the judge never compares across versions.';
COMMENT ON COLUMN detector_run.outcome IS 'measured, not_measured or failed.';
COMMENT ON COLUMN detector_run.reason IS 'Why it did not measure, a code.';
COMMENT ON COLUMN detector_run.detail IS 'Details of the reason; the traceback of a detector that failed.';

CREATE TABLE observation (
    log_sha256 VARCHAR NOT NULL,
    number INTEGER NOT NULL,
    airframe VARCHAR NOT NULL,
    detector VARCHAR NOT NULL,
    version INTEGER NOT NULL,
    metric VARCHAR NOT NULL,
    context VARCHAR NOT NULL,
    value DOUBLE NOT NULL,
    standard_error DOUBLE,
    seconds DOUBLE NOT NULL,
    windows_s DOUBLE[] NOT NULL
);
COMMENT ON TABLE observation IS 'One metric of one flight in one context.';
COMMENT ON COLUMN observation.log_sha256 IS 'The log.';
COMMENT ON COLUMN observation.number IS 'The flight in it.';
COMMENT ON COLUMN observation.airframe IS 'Airframe, so that one airframe''s history is read without touching the others.';
COMMENT ON COLUMN observation.detector IS 'Detector that measured it.';
COMMENT ON COLUMN observation.version IS 'Its version.';
COMMENT ON COLUMN observation.metric IS 'Metric; its name ends with the unit.';
COMMENT ON COLUMN observation.context IS 'In what kind of flying.';
COMMENT ON COLUMN observation.value IS 'Value in the metric''s unit.';
COMMENT ON COLUMN observation.standard_error IS 'Standard error, same unit; NULL where it is not defined.';
COMMENT ON COLUMN observation.seconds IS 'Data behind it.';
COMMENT ON COLUMN observation.windows_s IS 'Stretches that show it: start, end, start, end, in seconds from the recording''s start.';

CREATE TABLE audit_record (
    seq BIGINT PRIMARY KEY,
    recorded_at TIMESTAMP NOT NULL,
    kind VARCHAR NOT NULL,
    airframe VARCHAR NOT NULL,
    body VARCHAR NOT NULL,
    previous_sha256 VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL
);
COMMENT ON TABLE audit_record IS 'What was done and said, in order, never changed; each row is chained by hash to the one before.';
COMMENT ON COLUMN audit_record.seq IS 'Place in the chain, from 1, without gaps.';
COMMENT ON COLUMN audit_record.recorded_at IS 'When the row was written.';
COMMENT ON COLUMN audit_record.kind IS 'journal_added, journal_amended, journal_withdrawn, log_stored or finding_answered.';
COMMENT ON COLUMN audit_record.airframe IS 'Airframe it is about; empty for the whole fleet.';
COMMENT ON COLUMN audit_record.body IS 'Canonical JSON of what was recorded.';
COMMENT ON COLUMN audit_record.previous_sha256 IS 'Hash of the row before; 64 zeros for the first.';
COMMENT ON COLUMN audit_record.sha256 IS 'SHA-256 over all the other columns.';

-- The journal is read out of the chain, so that the two can never contradict each other.
CREATE VIEW journal_entry AS
SELECT
    record.seq,
    record.airframe,
    record.recorded_at,
    json_extract_string(record.body, '$.source') AS source,
    json_extract_string(record.body, '$.done_at') AS done_at,
    json_extract_string(record.body, '$.kind') AS kind,
    json_extract_string(record.body, '$.part') AS part,
    json_extract_string(record.body, '$.before') AS before,
    json_extract_string(record.body, '$.after') AS after,
    json_extract_string(record.body, '$.done_by') AS done_by,
    json_extract_string(record.body, '$.note') AS note,
    record.body,
    closing.kind AS closed_as,
    closing.seq AS closed_by
FROM audit_record record
LEFT JOIN audit_record closing
    ON closing.kind IN ('journal_amended', 'journal_withdrawn')
    AND CAST(json_extract_string(closing.body, '$.replaces') AS BIGINT) = record.seq
WHERE record.kind IN ('journal_added', 'journal_amended');
COMMENT ON VIEW journal_entry IS 'Maintenance entries; closed_as says that a later row amended or withdrew it.';

CREATE TABLE journal_file (
    airframe VARCHAR NOT NULL,
    path VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    imported_at TIMESTAMP NOT NULL
);
COMMENT ON TABLE journal_file IS 'Content of each journal file when it was last imported; an unchanged one is not read again.';
COMMENT ON COLUMN journal_file.airframe IS 'Airframe.';
COMMENT ON COLUMN journal_file.path IS 'Path relative to the fleet folder.';
COMMENT ON COLUMN journal_file.sha256 IS 'Hash of its content.';
COMMENT ON COLUMN journal_file.imported_at IS 'When.';

CREATE TABLE finding (
    id VARCHAR NOT NULL,
    scope VARCHAR NOT NULL,
    metric VARCHAR NOT NULL,
    context VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,
    verdict VARCHAR NOT NULL,
    tier VARCHAR NOT NULL,
    status VARCHAR NOT NULL,
    opened_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    is_current BOOLEAN NOT NULL,
    body VARCHAR NOT NULL
);
COMMENT ON TABLE finding IS 'What the judge says today; what it said before is in finding_event.';
COMMENT ON COLUMN finding.id IS 'Stable while its numbers move.';
COMMENT ON COLUMN finding.scope IS 'airframe or fleet.';
COMMENT ON COLUMN finding.metric IS 'Metric.';
COMMENT ON COLUMN finding.context IS 'Context.';
COMMENT ON COLUMN finding.kind IS 'known_change, unexplained_step, drift or condition_of_flight.';
COMMENT ON COLUMN finding.verdict IS 'worse, better, no_material_change, too_early or attention.';
COMMENT ON COLUMN finding.tier IS 'called or watch.';
COMMENT ON COLUMN finding.status IS 'open, acknowledged, muted or resolved.';
COMMENT ON COLUMN finding.opened_at IS 'When it was first said.';
COMMENT ON COLUMN finding.updated_at IS 'When anything about it last changed.';
COMMENT ON COLUMN finding.is_current IS 'False once the judge no longer says it.';
COMMENT ON COLUMN finding.body IS 'The whole finding, JSON.';

CREATE TABLE finding_event (
    seq BIGINT PRIMARY KEY,
    finding_id VARCHAR NOT NULL,
    said_at TIMESTAMP NOT NULL,
    kind VARCHAR NOT NULL,
    who VARCHAR NOT NULL,
    note VARCHAR NOT NULL,
    verdict VARCHAR NOT NULL,
    tier VARCHAR NOT NULL,
    status VARCHAR NOT NULL,
    body VARCHAR NOT NULL
);
COMMENT ON TABLE finding_event IS 'What was said of a finding, and when; never rewritten.';
COMMENT ON COLUMN finding_event.seq IS 'Order, from 1.';
COMMENT ON COLUMN finding_event.finding_id IS 'The finding.';
COMMENT ON COLUMN finding_event.said_at IS 'When.';
COMMENT ON COLUMN finding_event.kind IS 'opened, changed, gone, returned or answered.';
COMMENT ON COLUMN finding_event.who IS 'Who answered; empty for the judge.';
COMMENT ON COLUMN finding_event.note IS 'What they said.';
COMMENT ON COLUMN finding_event.verdict IS 'Verdict at that time.';
COMMENT ON COLUMN finding_event.tier IS 'Tier at that time.';
COMMENT ON COLUMN finding_event.status IS 'Status after it.';
COMMENT ON COLUMN finding_event.body IS 'The whole finding at that time, JSON.';

CREATE TABLE digest (
    schedule VARCHAR NOT NULL,
    period_start TIMESTAMP NOT NULL,
    period_end TIMESTAMP NOT NULL,
    made_at TIMESTAMP NOT NULL,
    path VARCHAR NOT NULL,
    chain_head VARCHAR NOT NULL,
    called INTEGER NOT NULL
);
COMMENT ON TABLE digest IS 'Digests made; a period without one is due.';
COMMENT ON COLUMN digest.schedule IS 'Line of the settings it was made for; empty when asked for by hand.';
COMMENT ON COLUMN digest.period_start IS 'First instant of the period.';
COMMENT ON COLUMN digest.period_end IS 'First instant after it.';
COMMENT ON COLUMN digest.made_at IS 'When it was made.';
COMMENT ON COLUMN digest.path IS 'File.';
COMMENT ON COLUMN digest.chain_head IS 'Hash of the last audit row shown in it.';
COMMENT ON COLUMN digest.called IS 'Findings it called.';

CREATE TABLE fleet_model (
    name VARCHAR NOT NULL,
    version INTEGER NOT NULL,
    made_at TIMESTAMP NOT NULL,
    sha256 VARCHAR NOT NULL,
    body VARCHAR NOT NULL
);
COMMENT ON TABLE fleet_model IS 'What was learned from the fleet, frozen; a new fit is a new version.';
COMMENT ON COLUMN fleet_model.name IS 'Which model.';
COMMENT ON COLUMN fleet_model.version IS 'From 1.';
COMMENT ON COLUMN fleet_model.made_at IS 'When it was fitted.';
COMMENT ON COLUMN fleet_model.sha256 IS 'Hash of its body.';
COMMENT ON COLUMN fleet_model.body IS 'JSON.';
