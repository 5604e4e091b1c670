-- +goose Up

-- How sure a promise was when it was made: the chance, by simulation, that it
-- holds. NULL where nobody asked, or nothing could be said. The first promise of
-- a job is kept beside the one that stands: what was kept is held against what
-- was promised first.
ALTER TABLE job
    ADD COLUMN promise_confidence double precision CHECK (promise_confidence > 0 AND promise_confidence <= 1),
    ADD COLUMN first_promise      timestamptz,
    ADD COLUMN first_confidence   double precision CHECK (first_confidence > 0 AND first_confidence <= 1);

-- +goose Down

ALTER TABLE job DROP COLUMN promise_confidence, DROP COLUMN first_promise, DROP COLUMN first_confidence;
