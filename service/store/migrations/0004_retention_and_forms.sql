-- Schema version 4: files that were removed, as the audit chain says it; forms that were sent, each once.

-- Read out of the chain, so that the two can never contradict each other.
CREATE VIEW file_removal AS
SELECT
    intent.seq,
    intent.recorded_at,
    intent.airframe,
    json_extract_string(intent.body, '$.what') AS what,
    json_extract_string(intent.body, '$.name') AS name,
    json_extract_string(intent.body, '$.sha256') AS sha256,
    CAST(json_extract_string(intent.body, '$.bytes') AS BIGINT) AS bytes,
    json_extract_string(intent.body, '$.log') AS log_sha256,
    json_extract_string(intent.body, '$.log_path') AS log_path,
    json_extract_string(intent.body, '$.setting') AS setting,
    json_extract_string(intent.body, '$.who') AS who,
    closing.kind AS ended_as,
    closing.recorded_at AS ended_at
FROM audit_record intent
LEFT JOIN audit_record closing
    ON closing.kind IN ('removal_done', 'removal_dropped')
    AND CAST(json_extract_string(closing.body, '$.removal') AS BIGINT) = intent.seq
WHERE intent.kind = 'removal_intended';
COMMENT ON VIEW file_removal IS 'Files removed by the retention settings; ended_as is removal_done, removal_dropped (it was left where it is), or NULL when a crash came between.';

CREATE TABLE form_sent (
    token_sha256 VARCHAR PRIMARY KEY,
    account VARCHAR NOT NULL,
    sent_at TIMESTAMP NOT NULL,
    said VARCHAR NOT NULL
);
COMMENT ON TABLE form_sent IS 'Forms that were taken: one sent twice is answered as the first time and recorded once. Rows of the last days only.';
COMMENT ON COLUMN form_sent.token_sha256 IS 'SHA-256 of the number that the form was given when it was shown.';
COMMENT ON COLUMN form_sent.account IS 'Whose form it was.';
COMMENT ON COLUMN form_sent.sent_at IS 'When it was taken; written together with what it recorded.';
COMMENT ON COLUMN form_sent.said IS 'What was answered.';
