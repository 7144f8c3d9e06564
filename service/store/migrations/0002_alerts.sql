-- Schema version 2: alerts, the way they go out, and findings muted until a date.

CREATE TABLE alert (
    key VARCHAR NOT NULL,
    finding_id VARCHAR NOT NULL,
    number INTEGER NOT NULL,
    reason VARCHAR NOT NULL,
    raised_at TIMESTAMP NOT NULL,
    size DOUBLE NOT NULL,
    message VARCHAR NOT NULL
);
COMMENT ON TABLE alert IS 'Every alert that was raised: one for each finding, another when it grew materially worse.';
COMMENT ON COLUMN alert.key IS 'Finding and number; whatever is delivered carries a key made of it.';
COMMENT ON COLUMN alert.finding_id IS 'The finding.';
COMMENT ON COLUMN alert.number IS 'From 1 for each finding.';
COMMENT ON COLUMN alert.reason IS 'first, grew or returned.';
COMMENT ON COLUMN alert.raised_at IS 'When.';
COMMENT ON COLUMN alert.size IS 'How bad it was, in the metric''s unit; what the next one is measured against.';
COMMENT ON COLUMN alert.message IS 'Key of the message that told it; findings of one change share one.';

CREATE TABLE outbox (
    key VARCHAR NOT NULL,
    channel VARCHAR NOT NULL,
    urgent BOOLEAN NOT NULL,
    queued_at TIMESTAMP NOT NULL,
    due_at TIMESTAMP NOT NULL,
    attempts INTEGER NOT NULL,
    sent_at TIMESTAMP,
    given_up_at TIMESTAMP,
    last_error VARCHAR NOT NULL,
    body VARCHAR NOT NULL
);
COMMENT ON TABLE outbox IS 'Messages on their way, one row for each message and channel; written together with their alerts.';
COMMENT ON COLUMN outbox.key IS 'The message; sent along, so that a receiver can tell a repeated delivery.';
COMMENT ON COLUMN outbox.channel IS 'mail, webhook or file.';
COMMENT ON COLUMN outbox.urgent IS 'A hazard.';
COMMENT ON COLUMN outbox.queued_at IS 'When it was written.';
COMMENT ON COLUMN outbox.due_at IS 'Not tried before; moved ahead before each try, so that nobody else tries meanwhile.';
COMMENT ON COLUMN outbox.attempts IS 'Tries so far, counted before each.';
COMMENT ON COLUMN outbox.sent_at IS 'When the other side took it; NULL until then.';
COMMENT ON COLUMN outbox.given_up_at IS 'When it was given up.';
COMMENT ON COLUMN outbox.last_error IS 'What the last try ran into.';
COMMENT ON COLUMN outbox.body IS 'The message as it was worded when it was raised, JSON.';

CREATE TABLE finding_mute (
    finding_id VARCHAR NOT NULL,
    until_at TIMESTAMP NOT NULL,
    set_at TIMESTAMP NOT NULL
);
COMMENT ON TABLE finding_mute IS 'Findings muted until a date; the row goes when the date has come or another answer is given.';
COMMENT ON COLUMN finding_mute.finding_id IS 'The finding.';
COMMENT ON COLUMN finding_mute.until_at IS 'First instant at which it is open again.';
COMMENT ON COLUMN finding_mute.set_at IS 'When it was muted.';
