-- +goose Up

-- Who made a reservation, so that they can give it up again: the user; empty for
-- a job that was planned or came from a file.
ALTER TABLE job ADD COLUMN reserved_by text NOT NULL DEFAULT '';
UPDATE job j SET reserved_by = e.actor FROM event e
WHERE e.site_id = j.site_id AND e.kind = 'job.reserved' AND e.subject = 'jobs/' || j.job_id AND NOT j.imported;

-- When a client certificate was last shown, to some five minutes, as a token has it.
ALTER TABLE site_user ADD COLUMN certificate_used_at timestamptz;

-- +goose Down

ALTER TABLE site_user DROP COLUMN certificate_used_at;
ALTER TABLE job DROP COLUMN reserved_by;
