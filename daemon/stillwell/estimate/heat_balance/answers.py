"""What the balance of heat has taught, as figures with 95 % intervals."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from stillwell.estimate.heat_balance.day import Day, Hour
from stillwell.estimate.heat_balance.devices import GLASS_AND_ROCK, SEAWATER_WH_PER_L_K
from stillwell.estimate.heat_balance.law import FASTEST, SLOWEST
from stillwell.estimate.heat_balance.places import held
from stillwell.estimate.heat_balance.points import Turns
from stillwell.estimate.heat_balance.tank import TankHeat

HEATER, CHILLER, LOSS, OFFSET, LAMP = range(5)
"""The places of the law's numbers; see `law.LawLearner`."""
SWITCHED_ERROR = 0.02
"""Of a share of time: when a device switched is known to a mean or two of each half cycle."""
PLACED_K = 0.02
"""K: of a turning point of two-minute means, however many there are."""
_Z = 1.96
Spread = list[list[float]]
"""How far the numbers of the law are known; see `LawLearner.covariance`."""


class Answer(NamedTuple):
    """One learned figure. Its name is that of the published estimate."""

    name: str
    unit: str
    value: float
    low: float
    high: float

    @classmethod
    def about(cls, name: str, unit: str, value: float, error: float) -> Answer:
        return cls(name, unit, value, value - _Z * error, value + _Z * error)


def answers(tank: TankHeat, day: Day) -> list[Answer]:
    """Returns all that is known well enough to be told; nothing before it is known where the
    devices switch or hold the water."""
    if tank.mixture is None:
        return []
    out: list[Answer] = []
    lately, spread = day.lately(24), tank.learner.covariance()
    if tank.devices.heater is not None:
        out += _points("heater", tank.known.turns[0], tank)
        out += _device("heater", tank, HEATER, None if lately is None else lately.heater, spread)
        out += _reserve(tank, spread)
    if tank.devices.chiller:
        out += _points("chiller", tank.known.turns[1], tank)
        out += _device("chiller", tank, CHILLER, None if lately is None else lately.chiller, spread)
    out += _law(tank, lately, spread)
    return out


def setting_c(tank: TankHeat) -> float | None:
    """Returns what the heater is set to by its own switching, as by day, °C; None where that is
    not known."""
    if tank.known.proportional:
        return held(tank.known)[0]
    pair = tank.known.turns[0].pair() or tank.known.pairs[0]
    return None if pair is None else (pair[0].at + pair[1].at) / 2


def _points(device: str, turns: Turns, tank: TankHeat) -> Iterator[Answer]:
    if tank.known.proportional and device == "heater":
        at_c, spread = held(tank.known)
        yield Answer.about("heater.setting", "Cel", at_c, spread / 2)
        return
    pair = turns.pair()
    if pair is None:
        return
    counts = len(turns.troughs), len(turns.peaks)
    low, high = pair
    errors = [
        # A median's error is 1.25 times that of a mean.
        math.hypot(1.25 * point.scatter / count**0.5, PLACED_K)
        for point, count in zip(pair, counts, strict=True)
    ]
    both = math.hypot(*errors)
    names = ("on", "off") if device == "heater" else ("off", "on")
    yield Answer.about(f"{device}.switches-{names[0]}", "Cel", low.at, errors[0])
    yield Answer.about(f"{device}.switches-{names[1]}", "Cel", high.at, errors[1])
    yield Answer.about(f"{device}.setting", "Cel", (low.at + high.at) / 2, both / 2)
    yield Answer.about(f"{device}.differential", "K", high.at - low.at, both)


def _device(
    device: str, tank: TankHeat, index: int, share: float | None, spread: Spread
) -> Iterator[Answer]:
    error = math.sqrt(max(spread[index][index], 0.0))
    yield Answer.about(f"{device}.gain", "K/h", tank.learner.theta.x[index], error)
    if share is not None:
        low, high = max(0.0, share - _Z * SWITCHED_ERROR), min(1.0, share + _Z * SWITCHED_ERROR)
        yield Answer(f"{device}.duty", "1", share, low, high)


def _law(tank: TankHeat, lately: Hour | None, spread: Spread) -> Iterator[Answer]:
    x = tank.learner.theta.x
    errors = [math.sqrt(max(spread[i][i], 0.0)) for i in range(len(x))]
    heats = tank.devices.heater is not None
    if lately is not None and heats:
        row = [(LOSS, -lately.gap), (OFFSET, -1.0), (LAMP, -lately.lamp)]
        fall = sum(a * x[i] for i, a in row)
        variance = sum(a * b * spread[i][j] for i, a in row for j, b in row)
        yield Answer.about("heater.loss", "K/h", fall, math.sqrt(max(variance, 0.0)))
    loss, error = x[LOSS], errors[LOSS]
    slow, fast = max(loss - _Z * error, SLOWEST), min(loss + _Z * error, FASTEST)
    inside = min(max(loss, slow), fast)
    if heats:
        yield Answer("heater.time-constant", "h", 1 / inside, 1 / fast, 1 / slow)
    if heats and x[HEATER] > 0 and loss > 0:
        ratio = loss / x[HEATER]
        relative = (
            spread[LOSS][LOSS] / loss**2
            + spread[HEATER][HEATER] / x[HEATER] ** 2
            - 2 * spread[HEATER][LOSS] / (loss * x[HEATER])
        )
        error = ratio * math.sqrt(max(relative, 0.0))
        yield Answer.about("heater.duty-per-kelvin", "1/K", ratio, error)
    if errors[LAMP] < abs(x[LAMP]):
        yield Answer.about("lamp.gain", "K/h", x[LAMP], errors[LAMP])
    if lately is not None and tank.devices.volume_l is not None:
        yield from _balance(tank, lately, errors)


def _balance(tank: TankHeat, lately: Hour, errors: list[float]) -> Iterator[Answer]:
    """The means of a day, W: what comes is above 0, what leaves below."""
    learner = tank.learner
    wh_per_k = (tank.devices.volume_l or 0.0) * SEAWATER_WH_PER_L_K * GLASS_AND_ROCK
    for name, index, share in (
        ("heater", HEATER, lately.heater),
        ("chiller", CHILLER, -lately.chiller),
        ("lamp", LAMP, lately.lamp),
        ("room", LOSS, lately.gap),
        ("evaporation", OFFSET, 1.0),
    ):
        if share:
            watts = wh_per_k * share
            value, error = watts * learner.theta.x[index], abs(watts) * errors[index]
            yield Answer.about(f"heat.{name}", "W", value, error)


def _reserve(tank: TankHeat, spread: Spread) -> Iterator[Answer]:
    """Down to what room the heater holds its setting in the dark."""
    at_c = setting_c(tank)
    x = tank.learner.theta.x
    if at_c is None or not tank.room_seen or x[LOSS] <= 0:
        return
    lifts = (x[HEATER] + x[OFFSET]) / x[LOSS]
    slopes = {HEATER: -1 / x[LOSS], OFFSET: -1 / x[LOSS], LOSS: lifts / x[LOSS]}
    variance = sum(slopes[i] * slopes[j] * spread[i][j] for i in slopes for j in slopes)
    yield Answer.about("heater.holds-down-to", "Cel", at_c - lifts, math.sqrt(max(variance, 0.0)))
