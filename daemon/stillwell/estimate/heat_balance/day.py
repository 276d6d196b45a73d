"""Where the heat of a day came from and went to."""

from __future__ import annotations

from dataclasses import dataclass, field

HOURS = 24


@dataclass(slots=True)
class Hour:
    """Sums over one hour of readings, each times its length, h."""

    number: int
    hours: float = 0.0
    heater: float = 0.0
    """The heater's share of its full heat."""
    chiller: float = 0.0
    gap: float = 0.0
    """The room above the water, K."""
    lamp: float = 0.0


@dataclass(slots=True)
class Day:
    """The last 24 hours, hour by hour."""

    kept: list[Hour] = field(default_factory=list)

    def add(
        self, at_h: float, hours: float, heater: float, chiller: float, gap: float, lamp: float
    ) -> None:
        """Takes a piece of the trace: when it ended, how long it was, and its means."""
        number = int(at_h)
        if not self.kept or self.kept[-1].number != number:
            self.kept.append(Hour(number))
            self.kept = [hour for hour in self.kept if number - hour.number < HOURS]
        last = self.kept[-1]
        last.hours += hours
        last.heater += hours * heater
        last.chiller += hours * chiller
        last.gap += hours * gap
        last.lamp += hours * lamp

    def lately(self, hours: int) -> Hour | None:
        """Returns the means of the last hours; None where less than half of them were seen."""
        if not self.kept:
            return None
        newest = self.kept[-1].number
        found = [hour for hour in self.kept if newest - hour.number < hours]
        total = sum(hour.hours for hour in found)
        if total < hours / 2:
            return None
        return Hour(
            newest,
            total,
            sum(hour.heater for hour in found) / total,
            sum(hour.chiller for hour in found) / total,
            sum(hour.gap for hour in found) / total,
            sum(hour.lamp for hour in found) / total,
        )
