-- +goose Up

-- Who may call: the users of a site, and the tokens that they show.

CREATE TABLE site_user (
    site_id       bigint      NOT NULL REFERENCES site,
    slug          text        NOT NULL CHECK (slug ~ '^[a-z0-9]([a-z0-9._-]{0,61}[a-z0-9])?$'),
    display_name  text        NOT NULL,
    roles         text[]      NOT NULL CHECK (
        cardinality(roles) > 0 AND roles <@ ARRAY['MANAGER', 'TECHNICIAN', 'ADMINISTRATOR']),
    technician_id bigint, -- who they are among the technicians; NULL for none
    certificate   text,   -- subject of the client certificate that is theirs; NULL for none
    disabled_at   timestamptz,
    created_at    timestamptz NOT NULL,
    PRIMARY KEY (site_id, slug),
    UNIQUE (site_id, technician_id),
    UNIQUE (site_id, certificate),
    FOREIGN KEY (site_id, technician_id) REFERENCES technician
);

-- A token is known by the SHA-256 of its text; the text itself is kept nowhere.
-- Rows stay, and a name is never given twice, so that the log means one token.
CREATE TABLE access_token (
    site_id      bigint      NOT NULL,
    user_slug    text        NOT NULL,
    name         text        NOT NULL CHECK (name ~ '^[a-z0-9]([a-z0-9._-]{0,61}[a-z0-9])?$'),
    hash         bytea       NOT NULL CHECK (length(hash) = 32),
    created_at   timestamptz NOT NULL,
    expires_at   timestamptz NOT NULL CHECK (expires_at > created_at),
    last_used_at timestamptz, -- to some five minutes
    revoked_at   timestamptz,
    PRIMARY KEY (site_id, user_slug, name),
    UNIQUE (site_id, hash),
    FOREIGN KEY (site_id, user_slug) REFERENCES site_user
);

-- +goose Down

DROP TABLE access_token, site_user;
