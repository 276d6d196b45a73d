"""How much of the heater's heat comes: what the water does, held against what it loses.

    share = (dT/dt + loss) / gain

The slope is a straight line through the last minutes in which nothing turned; the loss is foretold
by the room where there is one (`room_law`), else it is the usual one. A heater that gives nothing
and one that gives a part are told apart by this number and its error, wherever the water is.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from stillwell.estimate.heat.sawtooth import Minute, fit
from stillwell.estimate.heat.thermostat import Thermostat
from stillwell.estimate.thermal.room_law import PRIOR_TAU_S

WINDOW_S = 5400.0
LEAST = 20
"""Minutes that a slope is worth measuring over."""
LAG_S = 420.0
"""After the relay has switched, or the trace was torn, the heat needs so long to come or to go out
(four lags of the heater's body)."""

SURE = 2.0
"""Standard errors."""
IDLE_S = 4 * 3600.0
"""What the water lost before the relay came on holds for so long."""
IDLE_AT_MOST = 0.2
"""Of the heater's heat, so little comes beyond doubt where the relay is off."""
IDLE_CHANGES = 0.5
"""Of the loss's usual scatter, the share that comes and goes within that time."""


@dataclass(frozen=True, slots=True)
class Share:
    """Of the heater's usual heat, how much comes: 0 with the relay off, 1 with it on."""

    value: float
    error: float
    slope: float
    """Of the water, K/s."""
    slope_error: float
    seconds: float
    """Over which it was measured."""

    @property
    def spread(self) -> float:
        """Half of its interval."""
        return SURE * self.error

    def above(self, share: float) -> bool:
        """Whether more than `share` comes, beyond doubt."""
        return self.value - self.spread > share

    def below(self, share: float) -> bool:
        """Whether less than `share` comes, beyond doubt."""
        return self.value + self.spread < share


@dataclass(frozen=True, slots=True)
class _Idle:
    """What the water was last seen to lose with the heater off, against what was foretold."""

    at_s: float
    more: float
    """K/s."""
    error: float


@dataclass(frozen=True, slots=True)
class _Seen:
    """One minute."""

    water: Minute
    warmer_k: float | None
    """Than the room; None where nobody knows."""
    lit: float
    """The part of it in the lamp's hours."""


class HeatShare:
    """The last minutes in which the heat came as it comes now."""

    def __init__(self) -> None:
        self._minutes: deque[_Seen] = deque()
        self._last: list[_Seen] = []
        """The last minute, torn or not."""
        self._from_s = -math.inf
        self._idle: _Idle | None = None

    def add(self, minute: Minute, room_c: float | None, lit: float = 0.0) -> None:
        """Takes the mean of one minute, °C, and of the room meanwhile, and how much of it lay in
        the lamp's hours."""
        each = _Seen(minute, None if room_c is None else minute[1] - room_c, lit)
        self._last = [each]
        if minute[0] < self._from_s:
            return
        self._minutes.append(each)
        while self._minutes[0].water[0] < minute[0] - WINDOW_S:
            self._minutes.popleft()

    def begin(self, at_s: float) -> None:
        """The relay has switched at `at_s`, or the trace was torn: what was before is another
        heat."""
        self._from_s = at_s + LAG_S
        while self._minutes and self._minutes[0].water[0] < self._from_s:
            self._minutes.popleft()

    def idled(self, thermostat: Thermostat, until_s: float) -> None:
        """Until `until_s` the relay was off: what was lost then is what is lost now."""
        minutes = [each for each in self._minutes if each.water[0] < until_s]
        line = fit([each.water for each in minutes]) if len(minutes) >= LEAST else None
        if line is None:
            return
        loss, error = _loss(thermostat, line.value, minutes)
        more = -line.slope - loss
        # What the relay does is only thought: with a heater at its limit the water falls as slowly.
        if -more - SURE * error < IDLE_AT_MOST * thermostat.gain.mean:
            self._idle = _Idle(until_s, more, line.slope_error)

    def measure(self, thermostat: Thermostat, since_s: float = -math.inf) -> Share | None:
        """Returns the share that has come since `begin` and since `since_s`, of `WINDOW_S` at most;
        None before it can be measured."""
        minutes = [each for each in self._minutes if each.water[0] >= since_s + LAG_S]
        if len(minutes) < LEAST or not thermostat.learned:
            return None
        line = fit([each.water for each in minutes])
        if line is None:
            return None
        loss, error = _loss(thermostat, line.value, minutes)
        newest_s, idle = minutes[-1].water[0], self._idle
        if idle is not None and newest_s - idle.at_s < IDLE_S:
            loss += idle.more
            error = math.hypot(idle.error, IDLE_CHANGES * error)
        gain = thermostat.gain.mean
        share = (line.slope + loss) / gain
        off = math.hypot(line.slope_error, error, share * thermostat.gain_error)
        return Share(
            share, off / gain, line.slope, line.slope_error, newest_s - minutes[0].water[0]
        )

    def loss(self, thermostat: Thermostat, water_c: float) -> float:
        """What the water loses now with the heater off, K/s."""
        minutes = list(self._minutes)[-LEAST:] or self._last
        loss, _ = _loss(thermostat, water_c, minutes)
        return loss


def _loss(thermostat: Thermostat, water_c: float, minutes: Sequence[_Seen]) -> tuple[float, float]:
    """What water of `water_c` lost in these minutes with the heater off, K/s, by all that is
    learned, and its standard deviation."""
    lit = sum(each.lit for each in minutes) / len(minutes) if minutes else 0.0
    warmer = [each.warmer_k for each in minutes if each.warmer_k is not None]
    if warmer and 2 * len(warmer) > len(minutes):
        found = thermostat.room.predict(sum(warmer) / len(warmer), lit)
        if found is not None:
            return max(0.0, found[0]), found[1]
    usual = thermostat.loss
    tau = thermostat.room.tau_s()
    colder_k = max(0.0, thermostat.setting_c - water_c)
    loss = usual.mean - colder_k / (tau[0] if tau is not None else PRIOR_TAU_S)
    return max(0.0, loss), usual.spread
