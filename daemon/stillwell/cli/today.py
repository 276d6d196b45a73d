"""``stillwell today``: the one screen for somebody with wet hands."""

from __future__ import annotations

import datetime as dt
import time
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

import typer

from stillwell.alarm.annunciate.state import WITHHELD
from stillwell.cli.alarm_line import rfc3339
from stillwell.cli.console import PRIORITY_STYLE, print_json, quantity, say, stdout
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    load_settings,
    reporting_store_errors,
)
from stillwell.cli.watch_line import look, watched_screen
from stillwell.cli.written import instant_ms
from stillwell.notice import State

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stillwell.cli.printed import DueTask, Today
    from stillwell.estimate.answer import Basis, Estimate
    from stillwell.keeper.reminders import Facts, Task
    from stillwell.observe.balance import Cycle
    from stillwell.observe.plan import BookPlan
    from stillwell.review_plan import ReviewPlan
    from stillwell.settings import Settings
    from stillwell.store import StoreReader

SOON_MS = 2 * 86_400_000
"""How far ahead it shows what comes (our own choice)."""
HOUR_MS = 3_600_000
MOVES_K_H = 0.1
"""Water that changes more slowly than this counts as constant (our own choice)."""


def today(
    forecast: Annotated[
        bool, typer.Option("--forecast", help="Work out when the cycle ends: some seconds.")
    ] = False,
    at: Annotated[
        str,
        typer.Option(help="As it was then: 2026-01-31T08:00Z. Default: now, or a store's end."),
    ] = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """The water now, what to add, the salinity, the cycle, what is due and what is odd.

    With --json one object: time, water, to_add, salinity, cycle, due, soon, alarms.

    Example: stillwell today
    """
    from stillwell.cli.water_now import water_of
    from stillwell.keeper import photoperiod
    from stillwell.keeper.gathered import facts_of, light_by_warmth
    from stillwell.store import StoreReader
    from stillwell.wiring.plans.book import book_plan
    from stillwell.wiring.plans.review import review_plan

    settings = load_settings(config)
    book, plan = book_plan(settings), review_plan(settings)
    path = store or settings.store_path
    with (
        watched_screen(path, as_json=as_json),
        reporting_store_errors(),
        StoreReader.open(path) as reader,
    ):
        now_ms = instant_ms(at) if at else now_of(reader)
        facts = facts_of(reader, book, now_ms)
        seen = water_of(reader, plan, now_ms)
        standing = standing_of(reader, now_ms if at else None)
        light = photoperiod.words(light_by_warmth(reader, facts.light, book, now_ms))
        screen = Screen(book, plan, facts, now_ms, forecast)
        if as_json:
            print_json(screen.as_dict(seen, standing))
        else:
            screen.show(seen, standing, light)


def due_line(reader: StoreReader, settings: Settings) -> str:
    """Returns what is due, in one line: for a screen that is about something else."""
    from stillwell.keeper.gathered import facts_of
    from stillwell.keeper.reminders import due
    from stillwell.wiring.plans.book import book_plan

    book, now_ms = book_plan(settings), now_of(reader)
    titles = [task.title.lower() for task in due(facts_of(reader, book, now_ms), book, now_ms)]
    return f"Due: {', '.join(titles)}. How: stillwell today" if titles else "Nothing is due."


def now_of(reader: StoreReader) -> int:
    """Returns the present time; for a store with a time of its own, from a replay or a simulation,
    the time of its last reading or entry."""
    now_ms = time.time_ns() // 1_000_000
    if not look(reader).made_up:
        return now_ms
    newest = [r.moment.utc_ms for r in reader.latest_readings()]
    if not newest:
        fail(f"{reader.path} holds no readings yet.", "Start the daemon, or run: stillwell check")
    # If all of them are ahead of this clock, the clock is behind, as after a boot in the past.
    times = [utc_ms for utc_ms in newest if utc_ms <= now_ms] or newest
    entries = reader.journal(max(times), now_ms)
    return max([*times, *(e.at_ms for e in entries)])


def standing_of(reader: StoreReader, then_ms: int | None) -> list[Any]:
    """Returns the alarms whose condition stands, now or then."""
    latest = reader.alarms() if then_ms is None else reader.alarms(then_ms + 1)
    return [t for t in latest if t.active and t.alarm != "drill"]


def _counted(basis: Sequence[Basis]) -> str:
    """Returns counts such as ``2 salinity checks, 1 pour``."""
    return ", ".join(
        f"{part.count} {part.kind if part.count != 1 else part.kind.removesuffix('s')}"
        for part in basis
    )


class Screen:
    """What the book shows, in words and as data."""

    def __init__(
        self,
        book: BookPlan,
        plan: ReviewPlan,
        facts: Facts,
        now_ms: int,
        forecast: bool = False,
    ) -> None:
        from stillwell.keeper.reminders import tasks
        from stillwell.observe.balance import cycle_of

        self.book, self.plan, self.facts = book, plan, facts
        self.zone = ZoneInfo(book.zone)
        self.now_ms, self.forecast = now_ms, forecast
        self.cycle: Cycle = cycle_of(facts.entries)
        self.tasks = tasks(facts, book, now_ms)
        self.due = [t for t in self.tasks if t.due_ms <= now_ms]
        self.soon = [t for t in self.tasks if now_ms < t.due_ms <= now_ms + SOON_MS]

    def show(self, seen: list[Any], standing: list[Any], light: str) -> None:
        from rich.text import Text

        zone = self.zone
        now = dt.datetime.fromtimestamp(self.now_ms / 1000, zone)
        say(Text(f"{self.plan.tank}, {now:%a %d %b %H:%M}", style="bold"))
        self.show_alarms(standing)
        for line in self.water_lines(seen):
            say(line, hanging=2)
        for line in (
            *self.level(),
            *self.salinity(),
            *self.cycle_lines(),
            *self.ammonia(seen),
            light,
        ):
            if line:
                say(line, hanging=2)
        stdout().print()
        if not self.due:
            say(Text("Nothing is due.", style="green"))
        for task in self.due:
            say(Text.assemble((task.title, "bold yellow"), f" ({self.since(task)}). {task.text}"))
            say(Text(f"then: {task.note}", style="dim"), indent=2)
        for task in self.soon:
            day = dt.datetime.fromtimestamp(task.due_ms / 1000, zone)
            say(f"{day:%a %d %b}: {task.title.lower()}", indent=2)

    def show_alarms(self, standing: list[Any]) -> None:
        """Shows the alarms that ring, with what to do; then those that are quiet, and why. An alarm
        that follows from another one asks for nothing, because that could do harm then."""
        from rich.text import Text

        from stillwell.words import Reader
        from stillwell.words.states import state_in_words

        words = Reader(self.plan.zone, self.plan.units)
        ringing = [t for t in standing if t.after not in WITHHELD]
        for t in sorted(ringing, key=lambda t: list(PRIORITY_STYLE).index(t.priority)):
            said = words.alarm(t)
            since = dt.datetime.fromtimestamp(t.since.utc_ms / 1000, self.zone)
            about = f"  since {since:%a %H:%M}, {t.after.value}"
            say(Text.assemble((said.title, PRIORITY_STYLE[t.priority]), (about, "dim")), hanging=2)
            for part in (said.do, said.caution):
                if part:
                    say(part, indent=2)
            if t.after is State.UNACKNOWLEDGED:
                say(Text(f"answer: stillwell ack {t.alarm}", style="dim"), indent=2)
        for t in standing:
            if t.after in WITHHELD:
                why = f"({t.alarm}, {state_in_words(t.after)})"
                say(Text(f"{words.alarm(t).title}  {why}", style="dim"))
        if standing:
            stdout().print()

    def since(self, task: Task) -> str:
        days = (self.now_ms - task.due_ms) // 86_400_000
        return "due today" if days < 1 else "1 day overdue" if days == 1 else f"{days} days overdue"

    def water_lines(self, seen: list[Any]) -> list[str]:
        from stillwell.units import show_kept

        out = []
        for name, value, unit, low, high, rate in seen:
            between = " to ".join(show_kept(v, unit, self.plan.units) for v in (low, high))
            if value is None:
                out.append(f"{name.capitalize()}: nothing seen just now (wanted {between}).")
                continue
            inside = low <= value <= high
            verdict = "" if inside else f": OUTSIDE{self.course(value, unit, low, high, rate)}"
            shown = show_kept(value, unit, self.plan.units)
            out.append(f"{name.capitalize()} {shown}, wanted {between}{verdict}.")
        return out

    def course(self, value: float, unit: str, low: float, high: float, rate: float | None) -> str:
        """Returns where a value outside its band is going."""
        from stillwell.units import Dimension, show

        if unit != "Cel" or rate is None or abs(rate) < MOVES_K_H:
            return ""
        step = show(abs(rate), Dimension.DIFFERENCE, self.book.units)
        course = f", {'rising' if rate > 0 else 'falling'} {step} an hour"
        left = low - value if value < low else high - value
        if left / rate <= 0 or left / rate > 24:
            return course
        at_ms = self.now_ms + left / rate * HOUR_MS
        at = dt.datetime.fromtimestamp(at_ms / 1000, self.zone)
        return f"{course}, inside about {at:%H:%M}"

    def level(self) -> list[str]:
        from stillwell.keeper.level_now import advice

        return [f"Level: {advice(self.facts.level, self.book.units)}."]

    def reckoned(self) -> Estimate | None:
        """Returns the salinity by the balance; None before anybody measured."""
        from stillwell.estimate.salt.balance import salinity_estimate

        salt = self.facts.salt
        return salinity_estimate(salt, self.now_ms) if salt and salt.checks else None

    def salinity(self) -> list[str]:
        from stillwell.keeper.reminders import scale_in_words
        from stillwell.observe.salt.alarms import CAUTION, mend_of
        from stillwell.words.salt import mended

        salt, book, last = self.facts.salt, self.book, self.facts.check
        answer = self.reckoned()
        if salt is None or last is None or answer is None:
            rows = [e.at_ms for e in self.facts.entries if e.kind == "salinity"]
            if not rows:
                return ["Salinity: not measured yet."]
            day = dt.datetime.fromtimestamp(max(rows) / 1000, self.zone)
            return [f"Salinity: last measured on {day:%d %b %Y}, too long ago to say more."]
        said = (
            f"Salinity {answer.value:.1f} ppt ({answer.low:.1f} to {answer.high:.1f}), from "
            f"{_counted(answer.basis)}; wanted {book.salinity_low:.3g} to "
            f"{book.salinity_high:.3g}."
        )
        if not book.salinity_low <= answer.value <= book.salinity_high:
            how = mended(mend_of(salt), book.units)
            said += f" Measure again{f'; then {how}' if how else ''}. {CAUTION}"
        out = [said]
        scale = scale_in_words(self.facts.entries, book.zone)
        if scale:
            out.append(scale)
        if last.unexpected:
            at = dt.datetime.fromtimestamp(last.check.t_ms / 1000, self.zone)
            out.append(f"Last check ({at:%a %d %b}): {last.text}")
        return out

    def cycle_lines(self) -> list[str]:
        from stillwell.estimate.cycle.stage import ANIMALS_CAUTION
        from stillwell.observe.balance import animals

        cycle = self.cycle
        if cycle.begun_ms is None:
            return []
        day = (self.now_ms - cycle.begun_ms) / 86_400_000
        if not cycle.running:
            done = "Cycle: finished; both have peaked and are back at zero."
            return [done if animals(self.facts.entries) else f"{done} {ANIMALS_CAUTION}"]
        said = f"Cycle, day {day:.0f}: {cycle.verdict.stage}. {' '.join(cycle.verdict.missing)}"
        out = [said]
        if self.forecast:
            out.append(self._forecast())
        elif cycle.tests:
            out.append("When it ends: stillwell today --forecast")
        return out

    def ammonia(self, seen: list[Any]) -> list[str]:
        """Returns how much of the ammonia is the NH3 that harms, in the present water."""
        from stillwell.journal import Kind, standing
        from stillwell.observe.cycle import newest_ph
        from stillwell.water.ammonia import Concentration, Species, words

        rows = standing(self.facts.entries)
        newest = next((e for e in reversed(rows) if e.kind == Kind.AMMONIA), None)
        if newest is None or not newest.value:
            return []
        day = dt.datetime.fromtimestamp(newest.at_ms / 1000, self.zone)
        warm = [row[1] for row in seen if row[2] == "Cel" and row[1] is not None]
        salinity = self.reckoned()
        said = words(
            Concentration(Species.AMMONIA, newest.value),
            newest_ph(rows),
            warm[0] if warm else self.book.target_c,
            self.book.salinity_target if salinity is None else salinity.value,
            self.book.units,
        )
        return [f"Ammonia test of {day:%a %d %b}: {said}"]

    def _forecast(self) -> str:
        from stillwell.estimate.cycle.fit import fitted, words
        from stillwell.journal import cycle_happenings

        cycle = self.cycle
        assert cycle.begun_ms is not None
        happenings = cycle_happenings(self.facts.entries, cycle.begun_ms, self.book.tank_ml)
        fit = fitted(cycle.tests, cycle.begun_ms, seeded=cycle.seeded, happenings=happenings)
        return words(fit, self.now_ms)

    def as_dict(self, seen: list[Any], standing: list[Any]) -> Today:
        answer = self.reckoned()
        cycle = self.cycle
        return {
            "time": rfc3339(self.now_ms),
            "water": {
                name: {
                    "value": value,
                    "unit": unit,
                    "low": low,
                    "high": high,
                    "rate": quantity(rate, f"{'K' if unit == 'Cel' else unit}/h"),
                }
                for name, value, unit, low, high, rate in seen
            },
            "to_add": quantity(self.facts.level.missing_ml, "mL"),
            "salinity": None
            if answer is None
            else {"value": answer.value, "low": answer.low, "high": answer.high},
            "cycle": None
            if cycle.begun_ms is None
            else {
                "stage": str(cycle.verdict.stage),
                "missing": list(cycle.verdict.missing),
                "forecast": self._forecast() if self.forecast and cycle.running else None,
            },
            "due": [self._task(task) for task in self.due],
            "soon": [self._task(task) for task in self.soon],
            "alarms": [t.alarm for t in standing],
        }

    @staticmethod
    def _task(task: Task) -> DueTask:
        return {
            "task": task.name,
            "date": task.local_date.isoformat(),
            "title": task.title,
            "text": task.text,
            "note": task.note,
        }
