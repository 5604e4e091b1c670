-- +goose Up

-- Secret addresses of boards and calendars. Of the secret only its hash is
-- kept: who reads the table opens nothing.
CREATE TABLE link (
    site_id      bigint      NOT NULL REFERENCES site,
    link_id      bigint GENERATED ALWAYS AS IDENTITY,
    title        text        NOT NULL,         -- for people: "hall", "Mira's telephone"
    resource_id  bigint,                       -- whose calendar; NULL for a board
    token_sha256 bytea       NOT NULL CHECK (length(token_sha256) = 32),
    made_at      timestamptz NOT NULL,
    made_by      text        NOT NULL,
    revoked_at   timestamptz,                  -- from when it opens nothing
    PRIMARY KEY (site_id, link_id),
    UNIQUE (site_id, token_sha256),
    FOREIGN KEY (site_id, resource_id) REFERENCES resource
);

-- +goose Down

DROP TABLE link;
