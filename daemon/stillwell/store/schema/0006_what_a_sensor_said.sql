-- What the sensor said, where the channel's offset is in the value; NULL where there was none.
ALTER TABLE reading ADD COLUMN measured REAL;
