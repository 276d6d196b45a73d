"""How early a dead heater and one that does not switch off are found, against two bounds.

The delay is counted from the moment at which the fault can show: for a heater that stays cold, when
the thermostat calls for heat and none comes; for one that does not switch off, when the thermostat
has had enough and the heat goes on. Both faults begin in the half cycle before, as contacts do (one
that burns open while open, one that welds while closed); the rows "begun anywhere" let them begin
at any time.

Beside ours stand a plain band and two CUSUM charts. "CUSUM" sums the innovations of a Kalman filter
that knows the tank's true parameters (switching points, power, lags, noise), and is told of lamp
and pump, but knows neither the water's temperature nor its loss: what the best chart could be.
"foreknowing" sums the readings less what a twin of the same tank without the fault goes through,
noise of the room included: no chart can be that.

The limit of the charts is set in two ways.

- By the Markov chain of Brook and Evans, for one cry in three tank-years of readings. That rate is
  the chart's own only where its innovations are independent and normal, which those of a tank are
  not: water is poured, the thermostat switches a little sooner or later than predicted, the room
  changes. On how many healthy tanks the chart so limited cries in the days before the fault stands
  beside it.
- By those healthy days themselves: the lowest limit at which the chart cries on no more tanks than
  ours does over the same readings. That is the comparison at the same false-alarm rate. Further
  rows let the chart cry on more tanks than ours, up to a quarter of them.

In the second one the best of several reference values is taken, with the innovations as they are or
held to `HELD` at most, in the chart's favour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from heater_bounds import Chart, Informed, Mean, PlainBand, Twin, cusum_limit
from heater_world import DAY_S, Mind, World, quantile

from stillwell.estimate.heat_balance.judge import Verdict
from stillwell_drivers.tank_faults import Fault, FaultName
from stillwell_drivers.tank_model import TankParameters

FALSE_IN_READINGS = 3 * 365 * 2880.0
"""One cry in three tank-years of readings every 30 s."""
REFERENCES = (0.5, 1.0, 1.5)
"""Reference values k of the CUSUM."""
HELD = 3.5
LEARN_S = 3 * DAY_S
HEALTHY_S = 2 * DAY_S
"""From here to the fault false alarms are counted; the informed filter has half a day before that
to find the water."""
FOLLOW_S = DAY_S / 2
ENOUGH = 500.0
"""Higher than this no limit is tried."""
LONGEST_S = 4 * 3600.0
"""What a chart has not said in so long it has missed, once ours and the band have spoken."""
SHARES = (0.5, 0.9)


@dataclass(frozen=True, slots=True)
class Delay:
    """One tank: delays in minutes, inf where nothing sounded within the run."""

    seed: int
    ours: float
    band: float
    informed: tuple[Chart, ...]
    """From the fault's showing on, minutes; by reference value, and again with innovations held."""
    twin: tuple[Chart, ...]
    healthy: tuple[Chart, ...]
    """As `informed`, over the healthy days before."""
    healthy_days: float
    ours_before: bool
    """Whether the same alarm of ours stood in those days."""
    other_before: bool
    """Whether any other stood."""
    band_before: bool


def charts(held: bool) -> tuple[Chart, ...]:
    plain = tuple(Chart(k) for k in REFERENCES)
    return (*plain, *(Chart(k, HELD) for k in REFERENCES)) if held else plain


def delay(job: tuple[int, str, bool]) -> Delay | None:  # noqa: C901
    """Runs one tank until all have sounded; None where the fault never could show."""
    seed, name, anywhere = job
    tank = TankParameters.drawn(seed)
    world = World(tank, seed)
    fault = FaultName(name)
    cold = fault is FaultName.NOT_HEATING
    way = -1.0 if cold else 1.0
    condition = Verdict.NOT_HEATING if cold else Verdict.STUCK_ON
    low = tank.setting_c - tank.differential_k / 2
    high = tank.setting_c + tank.differential_k / 2
    sigma = math.hypot(tank.probe_noise_k, 1 / 16 / math.sqrt(12))
    ours, mean = Mind(tank), Mean(24, 30)
    band: PlainBand | None = None
    band_before = False
    before: set[Verdict] = set()
    begun: float | None = None
    shows: float | None = None
    twin: Twin | None = None
    informed: Informed | None = None
    healthy, after, foreknowing = charts(True), charts(True), charts(False)
    heard: dict[str, float] = {}
    begin_s = LEARN_S + (seed % 97) / 97 * DAY_S
    for look in world.until(LEARN_S + 4 * DAY_S):
        reading = look.readings[0]
        assert reading.value is not None
        at, value = look.at_s, reading.value
        ours.see(at, value)
        if informed is None and at >= HEALTHY_S - FOLLOW_S:
            informed = Informed(world, "water-a", value, look.state.heater_on)
        off = 0.0
        if informed is not None:
            state = look.state
            off = way * informed.innovation(value, state.lamp_on, state.pump_on)
        if begun is None:
            mean.add(value)
            if at > HEALTHY_S:
                if at % 3600 == 0:
                    band = PlainBand(mean.value)
                band_before = band_before or (band is not None and band.add(at, value))
                before |= set(ours.standing)
                for chart in healthy:
                    chart.add(at, off)
            if at >= begin_s and (anywhere or look.state.heater_on != cold):
                begun, band = at, PlainBand(mean.value)
                twin = Twin(world, "water-a")
                world.model.inject(Fault(fault, at))
            continue
        assert twin is not None
        assert band is not None
        expected = twin.mean(at)
        sensed = world.model._sensed
        if shows is None and (sensed <= low if cold else sensed >= high):
            shows = at
        if "band" not in heard and band.add(at, value):
            heard["band"] = at
        if "ours" not in heard and condition in ours.standing:
            heard["ours"] = at
        if shows is None:
            continue
        for chart in after:
            chart.add((at - shows) / 60, off)
        for chart in foreknowing:
            chart.add((at - shows) / 60, way * (value - expected) / sigma)
        done = all(chart.highest > ENOUGH for chart in (*after, *foreknowing))
        done = done or at - shows > LONGEST_S
        if (done and len(heard) == 2) or at - shows > 2 * DAY_S:
            break
    if shows is None or begun is None:
        return None

    def late(key: str) -> float:
        return (heard[key] - shows) / 60 if key in heard else math.inf

    return Delay(
        seed,
        late("ours"),
        late("band"),
        after,
        foreknowing,
        healthy,
        (begun - HEALTHY_S) / DAY_S,
        condition in before,
        bool(before - {condition}),
        band_before,
    )


def quietest(rows: Sequence[Delay], most: int) -> tuple[int, float]:
    """Returns which chart is the earliest of those that cry on at most `most` of the healthy tanks,
    and its limit."""
    found = []
    for which in range(len(rows[0].healthy)):
        highest = sorted((row.healthy[which].highest for row in rows), reverse=True)
        limit = highest[most] if most < len(highest) else 0.0
        found.append((late_at(rows, which, limit), which, limit))
    return min(found)[1:]


def late_at(rows: Sequence[Delay], which: int, limit: float) -> tuple[float, ...]:
    """Returns a chart's delay in the median and at 90 %, minutes."""
    late = [row.informed[which].passes(limit) for row in rows]
    return tuple(quantile(late, share) for share in SHARES)


def delays(seeds: Sequence[int], jobs: int, show: bool, everywhere: bool) -> None:
    """Prints the table."""
    print(
        "delays in minutes from the moment at which the fault can show; "
        f"seeds {seeds[0]}..{seeds[-1]}"
    )
    for name in ("not-heating", "heater-stuck-on"):
        for anywhere in (False, True) if everywhere else (False,):
            with ProcessPoolExecutor(jobs) as pool:
                found = list(pool.map(delay, [(seed, name, anywhere) for seed in seeds]))
            rows = [row for row in found if row is not None]
            print(f"{name}{', begun anywhere' if anywhere else ''}: {len(rows)} tanks,", end=" ")
            print(f"{len(found) - len(rows)} on which it never could show")
            table(rows)
            if show:
                for row in rows:
                    print(f"    seed {row.seed}: ours {row.ours:.1f}, band {row.band:.1f}")


def table(rows: Sequence[Delay]) -> None:
    """Prints one fault's part of it."""
    ours = tuple(quantile((row.ours for row in rows), share) for share in SHARES)
    days = sum(row.healthy_days for row in rows)
    print(
        f"  {'':44}{'median':>8}{'90 %':>8}{'ours/it':>10}{'ours/it':>9}{'missed':>8}{'cried':>7}"
    )

    def line(text: str, late: Sequence[float], missed: int, cried: int) -> None:
        ratios = [mine / each if each else math.inf for mine, each in zip(ours, late, strict=True)]
        print(
            f"  {text:44}{late[0]:8.1f}{late[1]:8.1f}{ratios[0]:10.2f}{ratios[1]:9.2f}"
            f"{missed:8}{cried:7}"
        )

    cries = sum(row.ours_before for row in rows)
    line("ours", ours, sum(math.isinf(row.ours) for row in rows), cries)
    band = tuple(quantile((row.band for row in rows), share) for share in SHARES)
    line(
        "the plain band",
        band,
        sum(math.isinf(row.band) for row in rows),
        sum(row.band_before for row in rows),
    )
    plain = range(len(REFERENCES))
    limits = [cusum_limit(k, FALSE_IN_READINGS) for k in REFERENCES]
    best = min(plain, key=lambda i: late_at(rows, i, limits[i]))
    line(
        f"CUSUM by the Markov chain, k={REFERENCES[best]:g} h={limits[best]:.1f}",
        late_at(rows, best, limits[best]),
        sum(math.isinf(row.informed[best].passes(limits[best])) for row in rows),
        sum(row.healthy[best].highest > limits[best] for row in rows),
    )
    for text, most in (
        ("as quiet as ours", cries),
        ("crying on one in 50", max(cries, len(rows) // 50)),
        ("crying on one in 10", len(rows) // 10),
        ("crying on one in 4", len(rows) // 4),
    ):
        which, limit = quietest(rows, most)
        chart = rows[0].informed[which]
        held = "" if math.isinf(chart.held) else f" held {chart.held:g}"
        line(
            f"CUSUM {text}, k={chart.k:g} h={limit:.0f}{held}",
            late_at(rows, which, limit),
            sum(math.isinf(row.informed[which].passes(limit)) for row in rows),
            sum(row.healthy[which].highest > limit for row in rows),
        )
    first = min(plain, key=lambda i: quantile((r.twin[i].passes(limits[i]) for r in rows), 0.5))
    twin = [row.twin[first].passes(limits[first]) for row in rows]
    line("foreknowing", [quantile(twin, s) for s in SHARES], sum(map(math.isinf, twin)), 0)
    print(
        f"  cried: on so many tanks in {days:.0f} healthy tank-days before the fault; "
        f"another alarm of ours stood on {sum(row.other_before for row in rows)}"
    )
