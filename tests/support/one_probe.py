"""A tank with one probe and one band on it: the real pipeline and store, on a clock that the test
moves."""

from __future__ import annotations

from pathlib import Path

from stillwell.acquire.source import Batch
from stillwell.alarm.annunciate.escalation import Escalation, EscalationPlan
from stillwell.alarm.plan import Band, ChannelWatch, WatchPlan
from stillwell.alarm.watch import Watch
from stillwell.notice import Notice, Priority
from stillwell.pipeline import Pipeline
from stillwell.ports import Stream
from stillwell.quality.judge import Judge
from stillwell.quality.limits import default_limits
from stillwell.reading import Quantity, Sample
from stillwell.store import Store

BEGAN = 1_780_000_000_000
PLAN = WatchPlan(
    channels=(ChannelWatch("water-a", "probes", Quantity.TEMPERATURE, 180.0),),
    bands=(Band("water", ("water-a",), 24.8, 25.8, 25.3, 0.1, 300.0, 300.0, Priority.HIGH),),
)


class OneProbe:
    """One run of the tank, over the store of the runs before."""

    def __init__(
        self,
        path: Path,
        boot: str,
        wall_ms: int,
        *,
        plan: WatchPlan = PLAN,
        turns: int = 1,
        trusted: bool = True,
        key: bytes | None = None,
        begun_ms: int = 0,
    ) -> None:
        self.store = Store.open(path)
        self.line = Pipeline(
            self.store,
            Watch(plan),
            {"water-a": Judge(default_limits(Quantity.TEMPERATURE))},
            escalation=Escalation(EscalationPlan(turns=turns)),
            link_key=key,
        )
        self.line.begin(boot, begun_ms, wall_ms, trusted)
        self.mono_ms = begun_ms
        self.wall_ms = wall_ms
        self.trusted = trusted

    def minutes(self, n: float, value: float | None) -> None:
        """Lets time pass with this reading; None: the probe shows nothing."""
        for _ in range(round(2 * n)):
            self.mono_ms += 30_000
            self.wall_ms += 30_000
            self.line.look_at_clock(self.mono_ms, self.wall_ms, self.trusted)
            if value is not None:
                self.line.take(Batch("probes", self.mono_ms, (Sample("water-a", value),)))
            self.line.tick(self.mono_ms)

    def notices(self) -> list[Notice]:
        """Returns everything that people were told, oldest first."""
        rows = self.store.tail.rows(Stream.NOTICES, 0, 1000, committed_only=False)
        return [row.body for row in rows if isinstance(row.body, Notice)]
