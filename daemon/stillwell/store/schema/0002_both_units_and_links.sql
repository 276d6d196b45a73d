-- What people are told in the other system of units; rows of before have none.
ALTER TABLE notice ADD COLUMN also_units TEXT;
ALTER TABLE notice ADD COLUMN also_title TEXT;
ALTER TABLE notice ADD COLUMN also_text TEXT;
ALTER TABLE transition ADD COLUMN also TEXT;         -- JSON list: units, what, likely, do, caution

-- What a link allows through which a command came, once its signature has been checked.
ALTER TABLE request ADD COLUMN link TEXT NOT NULL DEFAULT '';
