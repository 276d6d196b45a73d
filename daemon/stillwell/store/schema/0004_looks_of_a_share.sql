-- Of a float or switch whose value is a share: how many looks it rests on; NULL where nobody counted.
ALTER TABLE reading ADD COLUMN looks INTEGER;
