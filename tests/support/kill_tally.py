"""The results of a campaign of kills."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, fields

CLOSE_S = 0.020
"""A kill within this time of a notice has its own line in the table."""


@dataclass
class Tally:
    """The results of one campaign; those of several can be added up."""

    kills: int = 0
    near: int = 0
    """Kills within `CLOSE_S` of a notice."""
    starting: int = 0
    """Kills before the daemon ran."""
    servers: int = 0
    """Kills of the time-series server beside the daemon's."""
    readings: int = 0
    transitions: int = 0
    notices: int = 0
    twice_mqtt: int = 0
    """Notices that came more than once, under the same key."""
    twice_hook: int = 0
    other_key: int = 0
    """Notices that came again under another key, or changed under the same."""
    unkept: int = 0
    """Notices or alarm states that were heard although the store never kept them."""
    unheard: int = 0
    """Kept notices that a recipient never heard."""
    lost: int = 0
    """Committed rows that were gone or changed, and numbers left out."""
    not_at_server: int = 0
    """Kept readings that the time-series server lacks."""
    torn: int = 0
    """Alarms whose changes are no chain, or whose state after a start is another."""
    damaged: int = 0
    """Files that PRAGMA integrity_check does not call ok."""
    longest_start_s: float = 0.0
    """The longest time from the start of the process to its first reading."""
    starts_s: float = 0.0
    wrong: list[str] = field(default_factory=list)
    """What was found, in words."""

    def add(self, other: Tally) -> None:
        for each in fields(Tally):
            ours, theirs = getattr(self, each.name), getattr(other, each.name)
            joint = max(ours, theirs) if each.name == "longest_start_s" else ours + theirs
            setattr(self, each.name, joint)

    @property
    def well(self) -> bool:
        return not self.wrong

    def lines(self) -> list[tuple[str, str]]:
        """Returns pairs of (what, how much) for a table."""
        started = max(1, self.kills - self.starting)
        shown: list[tuple[str, int | str]] = [
            ("kills", self.kills),
            ("… within 20 ms of a notice", self.near),
            ("… while it started", self.starting),
            ("… with the time-series server", self.servers),
            ("readings kept", self.readings),
            ("changes of alarms kept", self.transitions),
            ("notices kept", self.notices),
            ("… heard twice by MQTT, same key", self.twice_mqtt),
            ("… heard twice by web hook, same key or merged", self.twice_hook),
            ("… heard again under another key", self.other_key),
            ("heard and never kept", self.unkept),
            ("kept and never heard", self.unheard),
            ("committed and lost", self.lost),
            ("kept and not at the server", self.not_at_server),
            ("alarms torn", self.torn),
            ("files damaged", self.damaged),
            ("longest start to first reading", f"{self.longest_start_s:.2f} s"),
            ("mean start to first reading", f"{self.starts_s / started:.2f} s"),
        ]
        return [(what, f"{n:,}" if isinstance(n, int) else n) for what, n in shown]


def to_json(tally: Tally) -> str:
    return json.dumps(asdict(tally))


def from_json(text: str) -> Tally:
    return Tally(**json.loads(text))
