-- What was found, as JSON: the name of its class and its fields. Rows without are in words: those of before,
-- and those about which others told us in words. The columns also_* are those of before and no longer used.
ALTER TABLE transition ADD COLUMN facts TEXT;
ALTER TABLE notice ADD COLUMN facts TEXT;
ALTER TABLE notice ADD COLUMN lasted_ms INTEGER NOT NULL DEFAULT 0;     -- since its alarm's condition began
ALTER TABLE notice ADD COLUMN unanswered_ms INTEGER NOT NULL DEFAULT 0;
