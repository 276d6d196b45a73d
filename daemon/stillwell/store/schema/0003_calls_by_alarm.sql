-- What called somebody, by alarm: a command from afar is held against the newest.
CREATE INDEX transition_calls ON transition (alarm, seq) WHERE state_after = 'unacknowledged';
