"""The observer of the level: readings and the journal become evidence, the model's answers become
alarms, estimates and the night's numbers."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import replace

from stillwell.entry import Entry
from stillwell.estimate.answer import NotEnough
from stillwell.estimate.level.evidence import PumpStopped
from stillwell.estimate.level.model import CalibrationWorth
from stillwell.estimate.level.state import LevelState
from stillwell.finding import Finding
from stillwell.observe.chamber import rules
from stillwell.observe.chamber.alarms import LevelAlarms
from stillwell.observe.chamber.diary import LevelDiary
from stillwell.observe.chamber.gathered import keep_window
from stillwell.observe.chamber.intake import LevelIntake
from stillwell.observe.chamber.journal import KINDS
from stillwell.observe.chamber.numbers import LevelNumbers
from stillwell.observe.chamber.plan import LevelPlan
from stillwell.observe.chamber.record import LevelRecord
from stillwell.observe.known import Flow, Known
from stillwell.ports import Published
from stillwell.reading import Moment, Reading

_STANDS_KEPT = 40


class LevelWatch:
    """An `Observer`. Deterministic; everything that it knows is in `state`."""

    name = "level"

    def __init__(self, plan: LevelPlan) -> None:
        self._doubted: Container[str] = ()
        self._no_flow = False
        """Whether the pump has stopped."""
        self._flow = Flow()
        self._begin(LevelRecord(plan))

    def _begin(self, record: LevelRecord) -> None:
        self._record = record
        self._intake = LevelIntake(record)
        self._diary = LevelDiary(record, self._intake.total)
        self._alarms = LevelAlarms(record, self._intake.total)
        self._numbers = LevelNumbers(record, self._intake.total)
        self._announced = False
        self._noted = False
        """Whether an entry has come since the last look."""

    @property
    def level(self) -> LevelState | None:
        """Returns the model's state; None before the first reading."""
        return self._record.level

    # --- as an observer ----------------------------------------------------------------------

    def hear(self, known: Known) -> None:
        """Stops taking readings from the channels that are doubted now: a probe in the air is no
        reason to report a leak."""
        self._doubted = known.doubted
        self._no_flow = known.no_flow
        if known.flow is not self._flow:
            self._flow = known.flow
            self._follow(known.flow)

    def see(self, reading: Reading) -> Iterable[Finding]:
        """Takes one judged reading."""
        if reading.channel in self._doubted or not self._intake.wants(reading.channel):
            return ()
        now_ms = self._pass_to(reading.moment)
        self._intake.take(reading, now_ms)
        self._alarms.judge_at_once(now_ms, reading.moment)
        return self._found()

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        """Takes a journal entry; `struck` is the earlier one that it strikes out."""
        self._diary.note(entry, struck)
        self._noted |= entry.kind in KINDS or (struck is not None and struck.kind in KINDS)
        return self._found()

    def tick(self, now: Moment) -> Iterable[Finding]:
        """Lets time pass; the first tick after a start returns how every alarm stands."""
        self._pass_to(now)
        self._diary.take_due()
        if not self._announced:
            self._announced = True
            self._alarms.found.clear()
            self._alarms.announce(now)
        return self._found()

    def estimates(self, now: Moment) -> Iterable[Published]:
        """Returns level, rate, water to the fill mark and reserve once an hour and after an
        entry about water; a night's numbers once it has ended, and again when an entry has
        changed them."""
        noted, self._noted = self._noted, False
        if noted:
            self._alarms.look()
        return self._numbers.due(self._alarms.facts, now, self._alarms.supply, noted=noted)

    def state(self) -> str:
        """Returns all that it knows, as JSON."""
        return self._record.text()

    def restore(self, state: str) -> None:
        """The inverse of `state`. Raises ValueError for what it can't use; the watch then knows
        nothing."""
        self._begin(LevelRecord(self._record.plan))
        self._record.restore(state, self._alarms.names)

    def _found(self) -> list[Finding]:
        found, self._alarms.found = self._alarms.found, []
        return found

    def _pass_to(self, now: Moment) -> int:
        """Moves on to a moment: closes slices and asks the rules at the boundary that was
        passed. Returns the moment on the line, ms."""
        record, memory = self._record, self._record.memory
        now_ms = memory.line.at(now)
        state = record.state(now_ms)
        if now_ms <= state.now_ms:
            return now_ms
        if now_ms > memory.looked_ms + rules.LOOK_EVERY_MS:
            # after a gap the rules are asked about its end only: nothing was seen in between
            boundary = (now_ms - 1) // rules.LOOK_EVERY_MS * rules.LOOK_EVERY_MS
            state = record.pass_to(boundary)
            self._intake.close_slice(boundary)
            memory.looked_ms = boundary
            if boundary >= memory.windows_ms + rules.WINDOW_MS:
                end_ms = boundary // rules.WINDOW_MS * rules.WINDOW_MS
                keep_window(record, end_ms)
            if not self._no_flow:
                self._alarms.judge(state, boundary, now)
        record.pass_to(now_ms)
        self._intake.close_slice(now_ms)
        return now_ms

    def _follow(self, flow: Flow) -> None:
        """Tells the model since when the pump has stopped, and of a stop or pause that is over:
        what the sensors see then is neither a pour nor a loss."""
        record, memory = self._record, self._record.memory
        if record.level is None:
            return
        now_ms = record.level.now_ms
        begin = None if flow.since is None else memory.line.of_this_boot(flow.since)
        if flow.stopped and begin is not None and memory.stopped_ms is None:
            memory.stopped_ms = begin
            record.update(PumpStopped(begin, None), now_ms)
        elif memory.stopped_ms is not None and not flow.stopped and flow.ended is None:
            record.retract(PumpStopped(memory.stopped_ms, None))
            memory.stopped_ms = None
        if flow.ended is None:
            return
        begin, end = (memory.line.of_this_boot(at) for at in flow.ended)
        if memory.stopped_ms is not None:
            begin, memory.stopped_ms = memory.stopped_ms, None
        record.update(PumpStopped(begin, end), now_ms)
        memory.stands = [*memory.stands, (begin, end)][-_STANDS_KEPT:]
        self._diary.changed(memory.line.to_utc(begin))

    def moved(self, by: Mapping[str, float]) -> None:
        """Learns everything anew when the gauge's offset changes: see `observing.TakesOffsets`."""
        gauge = self._record.plan.gauge
        if gauge is not None and gauge.name in by:
            self._begin(LevelRecord(self._record.plan))

    # --- answers -----------------------------------------------------------------------------

    def calibration(self, window_ms: int, sd_ml: float) -> CalibrationWorth | NotEnough | None:
        """Returns what one pour up to the mark, measured to `sd_ml`, would do to the interval of
        the loss in the last `window_ms`; None before there is anything to say."""
        state = self._record.level
        if state is None or not state.slices:
            return None
        geometry = self._record.plan.geometry
        # from the middle of what is safe below the mark, in a round number
        ml = max(1.0, round(-0.6 * geometry.lowest_safe_mm / geometry.mm_per_ml / 50.0)) * 50.0
        end = state.now_ms
        return self._record.model.calibration_worth(state, end - window_ms, end, ml, sd_ml)

    def tell(self, known: Known) -> Known:
        """Adds how much fresh water is missing to the fill mark, by the last look."""
        return replace(known, missing=self._alarms.facts.missing)
