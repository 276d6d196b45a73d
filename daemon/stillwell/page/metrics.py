"""The figures for a monitoring system, in OpenMetrics."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector
from starlette.requests import Request
from starlette.responses import Response

from stillwell.notice import State
from stillwell.page.access import Visitor
from stillwell.page.place import Tank
from stillwell.page.seen import Seen, seen
from stillwell.page.site import Site, at_this_machine
from stillwell.ports import Stream
from stillwell.reading import UNIT
from stillwell.store import StoreError
from stillwell.store.lock import lock_path
from stillwell.watching import WORK, WORK_KEY

_ESTIMATES_MS = 3 * 3_600_000


class Metrics:
    """The route."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def page(self, request: Request) -> Response:
        """Answers a program on this machine without a passphrase, and otherwise only who has
        signed in."""
        if not at_this_machine(request):
            visitor = self._site.visitor(request)
            if not isinstance(visitor, Visitor):
                return Response("Sign in, or ask from this machine.\n", 403)
        registry = CollectorRegistry()
        registry.register(_Tanks(list(self._site.tanks.values())))
        text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
        return Response(text, media_type=CONTENT_TYPE_LATEST)


class _Tanks(Collector):
    def __init__(self, tanks: list[Tank]) -> None:
        self._tanks = tanks

    def describe(self) -> Iterator[Metric]:
        return iter(())

    def collect(self) -> Iterator[Metric]:
        families = _Families()
        for tank in self._tanks:
            try:
                with seen(tank) as now:
                    families.add(tank, now)
            except StoreError:
                families.up.add_metric((tank.name,), 0)
        yield from families.all()


class _Families:
    """The metric families, with a sample for every tank."""

    def __init__(self) -> None:
        def of(name: str, says: str, labels: tuple[str, ...]) -> GaugeMetricFamily:
            return GaugeMetricFamily(f"stillwell_{name}", says, labels=labels)

        tank = ("tank",)
        self.up = of("store_readable", "1 where the store can be read.", tank)
        self.watched = of("watched", "1 while a daemon watches this tank.", tank)
        channel = ("tank", "channel", "unit")
        self.reading = of("reading", "The newest reading; see its age.", channel)
        self.age = of("reading_age_seconds", "How old it is.", ("tank", "channel"))
        self.flag = of("reading_flag", "QARTOD flag of it: 1 2 3 4 9.", ("tank", "channel"))
        self.alarm = of(
            "alarm", "1 while its condition stands.", ("tank", "alarm", "priority", "state")
        )
        named = ("tank", "name", "unit")
        self.value = of("estimate", "What is worked out.", named)
        self.low = of("estimate_low", "Lower end of its 95 % interval.", named)
        self.high = of("estimate_high", "Upper end of its 95 % interval.", named)
        self.lag = of(
            "cursor_behind_rows", "Rows a recipient has not been given.", ("tank", "sink", "stream")
        )
        self.refused = of(
            "refused_rows", "Rows a recipient has refused for good.", ("tank", "sink")
        )
        self.rows = of("store_rows_ever", "Rows ever written, by stream.", ("tank", "stream"))
        self.size = of("store_bytes", "Size of the store with its log.", tank)
        self.commits, self.dropped, self.lost = (
            CounterMetricFamily(f"stillwell_{name}", f"{says} since the daemon began.", labels=tank)
            for name, says in (
                ("store_commits", "Commits of the store"),
                ("dropped_items", "Batches and events that the daemon had no room for"),
                ("lost_readings", "Readings that were given up while the disk took none"),
            )
        )
        self.memory = of("daemon_resident_bytes", "Resident memory of the daemon.", tank)

    def all(self) -> list[Metric]:
        return [family for family in vars(self).values() if family.samples]

    def add(self, tank: Tank, now: Seen) -> None:
        """Adds one tank's figures."""
        reader, name = now.reader, tank.name
        self.up.add_metric((name,), 1)
        self.watched.add_metric((name,), 0 if now.watching.nobody or now.watching.made_up else 1)
        for reading in reader.latest_readings():
            channel = reading.channel
            quantity = now.plan.channels.get(channel)
            if reading.value is not None:
                unit = UNIT[quantity] if quantity else ""
                self.reading.add_metric((name, channel, unit), reading.value)
            age_s = (now.now_ms - reading.moment.utc_ms) / 1000
            self.age.add_metric((name, channel), age_s)
            self.flag.add_metric((name, channel), int(reading.flag))
        for t in reader.alarms():
            if t.active or t.after is not State.NORMAL:
                labels = (name, t.alarm, str(t.priority), str(t.after))
                self.alarm.add_metric(labels, int(t.active))
        self._estimates(name, now)
        for cursor in reader.cursors():
            self.lag.add_metric((name, cursor.sink, str(cursor.stream)), cursor.behind)
        letters = [letter.sink for letter in reader.dead_letters()]
        for sink in sorted(set(letters)):
            self.refused.add_metric((name, sink), letters.count(sink))
        self._store(tank, now)

    def _estimates(self, name: str, now: Seen) -> None:
        rows = now.reader.estimates(None, now.now_ms - _ESTIMATES_MS, now.now_ms + 1)
        for row in {row.name: row for row in rows if row.value is not None}.values():
            for family, value in (
                (self.value, row.value),
                (self.low, row.low),
                (self.high, row.high),
            ):
                if value is not None:
                    family.add_metric((name, row.name, row.unit), value)

    def _store(self, tank: Tank, now: Seen) -> None:
        for stream in Stream:
            self.rows.add_metric((tank.name, str(stream)), now.reader.newest(stream))
        files = (tank.store, tank.store.with_name(f"{tank.store.name}-wal"))
        size = sum(file.stat().st_size for file in files if file.exists())
        self.size.add_metric((tank.name,), size)
        work = WORK.known(now.reader.described(WORK_KEY))
        if work is not None:
            self.commits.add_metric((tank.name,), work.commits)
            self.dropped.add_metric((tank.name,), work.dropped)
            self.lost.add_metric((tank.name,), work.lost)
        memory = _daemon_bytes(tank.store)
        if memory is not None:
            self.memory.add_metric((tank.name,), memory)


def _daemon_bytes(store: Path) -> int | None:
    """Returns the memory, in bytes, of the process that holds the writer's lock (/proc/locks,
    proc(5)); None where that can't be seen."""
    with suppress(OSError, ValueError, IndexError):
        inode = str(lock_path(store).stat().st_ino)
        for line in Path("/proc/locks").read_text(encoding="ascii").splitlines():
            parts = line.split()
            if parts[1] == "FLOCK" and parts[5].rpartition(":")[2] == inode:
                pages = Path(f"/proc/{parts[4]}/statm").read_text(encoding="ascii").split()[1]
                return int(pages) * 4096
    return None
