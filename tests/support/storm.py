"""A storm of faults over one daemon on a fast clock: every hostile plugin at once, a broker that is
killed, hung and restarted, a time-series server that is killed, receivers that trickle bytes, a
disk that is full for a while, a clock that is set, floods of notes; and beside all that healthy
probes whose alarms must be raised and reach one healthy recipient in time.

Time limits of sinks and of the supervisor are seconds of the wall; delays, cadences, deadlines and
the pauses after a hang are those of the daemon's clock, which runs `speed` times as fast. At 100
times, 5 s on its clock are 50 ms on the wall: both are told.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

import hostile_plugins
import storm_plugins
from far_sides import Asked, Receiver, Says, Victoria
from fast_process import GENEROUS_S, FastDaemon
from free_ports import free_port
from kill_story import parts
from real_broker import Broker
from stillwell.notice import Priority
from stillwell.reading import Flag
from stillwell.store import StoreReader
from storm_plugins import LOW, OUT_FROM_MS, OUT_TO_MS, PERIOD_MS, WELL, shift_ms
from storm_world import HANGS_AT_START, PROBE, TANK, Disk, Trickler, hostile

ON_DELAY_MS = 5 * 60_000
HOUR_MS = 3_600_000
NAME = "stillwell/reading-room"


@dataclass(frozen=True)
class Size:
    """The size of the process."""

    mono_ms: int
    rss_kb: int
    threads: int
    files: int


@dataclass
class Outcome:
    """What a storm has come to. Latencies are ms of the daemon's clock after the reading that ended
    the delay: the first one by which a probe had been seen out of its band for so long. (The
    first of all is none of them: a jump may be a spike until the next reading says the same.)"""

    speed: float
    hours: float = 0.0
    due: int = 0
    """Alarms of the healthy probes that should have been raised."""
    kept: list[int] = field(default_factory=list)
    heard: list[int] = field(default_factory=list)
    """Latencies at the healthy recipient."""
    lost: list[str] = field(default_factory=list)
    """Alarms that were never raised, or never heard there."""
    sizes: list[Size] = field(default_factory=list)
    done: dict[str, int] = field(default_factory=dict)
    """How often each attack was done."""
    ended: str = ""
    """Why the process ended before it was told to; empty when it did not."""
    stopped_s: float = 0.0
    """How long SIGTERM took, on the wall clock."""
    exit_code: int | None = None
    sources: int = 0
    sinks: int = 0

    def settled(self) -> list[Size]:
        """Returns sizes after day one, or after the first half of a shorter storm."""
        last = self.sizes[-1].mono_ms if self.sizes else 0
        return [size for size in self.sizes if size.mono_ms >= min(24 * HOUR_MS, last / 2)]


class Storm:
    """Use it as a context, then call `blow`."""

    def __init__(
        self,
        folder: Path,
        seed: int,
        speed: float = 100.0,
        *,
        probes: int = 1,
        slow_start: bool = True,
    ) -> None:
        """Makes a storm. `probes`: how many are healthy. `slow_start`: also with plugins that
        hang at the start."""
        self._probes = range(probes)
        self._left_out: frozenset[str] = frozenset() if slow_start else HANGS_AT_START
        self._chance = random.Random(seed)
        self._speed = speed
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._disk = Disk(folder / "card")
        self._store = self._disk.root / "tank.db"
        self._config = folder / "stillwell.toml"
        self._site = folder / "site"
        hostile_plugins.install(self._site)
        storm_plugins.install(self._site)
        self._daemon = FastDaemon(self._config, folder / "log", self._site)
        self._broker = Broker(folder, free_port(), [])
        self._victoria = Victoria(folder / "victoria", free_port())
        self._trickler = Trickler()
        self._hook = Receiver()
        self._hook.answer = self._take
        self._rang: dict[str, float] = {}
        self._hung = False
        self.outcome = Outcome(speed)

    def __enter__(self) -> Storm:
        self._broker.start()
        self._victoria.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self._daemon.kill()
        self._thaw()
        self._broker.kill()
        self._victoria.kill()
        self._trickler.close()
        self._hook.close()
        self._disk.close()

    def _take(self, asked: Asked) -> Says:
        self._rang.setdefault(json.loads(asked.body)["key"], time.monotonic())
        return Says(200)

    def blow(self, hours: float, hear: Callable[[str], None] = lambda words: None) -> Outcome:
        """Lets this many hours pass on the daemon's clock; calls `hear` with how far it is."""
        self._write_config()
        self._daemon.start(self._speed, time.time_ns() // 1_000_000)
        # A recipient that has heard something is there: from now on it must hear everything.
        while not self._rang:
            self._daemon.until("keys")
        began = time.monotonic()
        running = self._daemon.ran_s or began
        began_ms = round((began - running) * 1000 * self._speed)
        until_ms = began_ms + round(hours * HOUR_MS)
        mischief = self._plan(began_ms, until_ms)
        sample_ms = HOUR_MS // 2 if hours > 12 else max(60_000, round(hours * HOUR_MS / 20))
        next_sample_ms = 0
        while True:
            now_ms = round((time.monotonic() - running) * 1000 * self._speed)
            if not self._daemon.alive:
                self.outcome.ended = self._daemon.said()
                break
            if now_ms >= next_sample_ms:
                next_sample_ms = now_ms + sample_ms
                size = self._size(now_ms)
                self.outcome.sizes.append(size)
                hear(
                    f"{now_ms / HOUR_MS:.1f} h: {size.rss_kb / 1024:.1f} MB, {size.threads} "
                    f"threads, {size.files} files"
                )
            if mischief and now_ms >= mischief[0][0]:
                _, name, deed = mischief.pop(0)
                self.outcome.done[name] = self.outcome.done.get(name, 0) + 1
                deed()
            elif now_ms >= until_ms:
                break
            else:
                time.sleep(0.02)
        self.outcome.hours = (now_ms - began_ms) / HOUR_MS
        self._stop()
        self._judge(running, began_ms, now_ms)
        return self.outcome

    # -- mischief

    def _plan(self, begin_ms: int, until_ms: int) -> list[tuple[int, str, Callable[[], None]]]:
        """Returns (when, what, action) in order: each kind once in every stretch of six hours
        (of the whole storm, where that is shorter)."""
        kinds: tuple[tuple[str, Callable[[], None], Callable[[], None]], ...] = (
            ("broker killed", self._broker.kill, self._broker.start),
            ("broker hung", self._freeze, self._thaw),
            ("server killed", self._victoria.kill, self._victoria.start),
            ("disk full", self._disk.fill, self._disk.empty),
            ("clock set", lambda: self._daemon.step(3_600_000), self._unstep),
            ("flood of notes", self._flood, self._flood),
        )
        stretch_ms = min(6 * HOUR_MS, until_ms - begin_ms)
        plan = []
        for start in range(begin_ms, until_ms - stretch_ms + 1, stretch_ms):
            for place, (name, begin, end) in enumerate(self._chance.sample(kinds, len(kinds))):
                if name == "disk full" and not self._disk.mounted:
                    continue
                at = start + stretch_ms * (place + self._chance.uniform(0.1, 0.4)) / len(kinds)
                over = at + stretch_ms * self._chance.uniform(0.2, 0.5) / len(kinds)
                plan += [(round(at), name, begin), (round(over), f"{name}, over", end)]
        return sorted(plan, key=lambda deed: deed[0])

    def _freeze(self) -> None:
        self._hung = True
        self._signal(signal.SIGSTOP)

    def _thaw(self) -> None:
        if self._hung:
            self._hung = False
            self._signal(signal.SIGCONT)

    def _signal(self, number: int) -> None:
        process = self._broker._process
        if process is not None:
            os.kill(process.pid, number)

    def _unstep(self) -> None:
        self._daemon.step(-3_600_000)

    def _flood(self) -> None:
        """Enters some hundred notes at once, some of them garbage."""
        client = Client(CallbackAPIVersion.VERSION2)
        with contextlib.suppress(OSError):
            client.connect("127.0.0.1", self._broker.port)
            client.loop_start()
            for number in range(300):
                note = {"kind": "note", "value": f"flood {number}", "key": f"k{number % 50}"}
                body = json.dumps(note) if number % 5 else "{"
                client.publish(f"{NAME}/do/note", body, qos=1)
            client.disconnect()
            client.loop_stop()

    def _write_config(self) -> None:
        plugins, self.outcome.sources, self.outcome.sinks = hostile(self._left_out)
        text = TANK.format(
            channels=", ".join(f"probe-{number} = {{}}" for number in self._probes),
            store=self._store,
            hook=self._hook.port,
            broker=self._broker.port,
            victoria=self._victoria.port,
            trickle=self._trickler.port,
        )
        text += "".join(PROBE.format(number=number) for number in self._probes)
        self._config.write_text(text + plugins, encoding="utf-8")

    # -- what came of it

    def _size(self, mono_ms: int) -> Size:
        assert self._daemon.process is not None
        place = Path(f"/proc/{self._daemon.process.pid}")
        status = dict(
            line.split(":", 1)
            for line in (place / "status").read_text().splitlines()
            if ":" in line
        )
        return Size(
            mono_ms,
            int(status["VmRSS"].split()[0]),
            int(status["Threads"]),
            len(os.listdir(place / "fd")),
        )

    def _stop(self) -> None:
        process = self._daemon.process
        if process is None or process.poll() is not None:
            return
        began = time.monotonic()
        process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.outcome.exit_code = process.wait(GENEROUS_S)
        self.outcome.stopped_s = time.monotonic() - began

    def _judge(self, running_s: float, begin_ms: int, until_ms: int) -> None:
        """Compares what was raised and heard with the times when each probe was low."""
        raised: dict[str, dict[int, list[str]]] = {}
        with (self._folder / "said").open("a") as said:
            while not self._daemon.lines.empty():
                words = self._daemon.lines.get().words
                said.write(json.dumps(words) + "\n")
                if words.get("event") == "raise":
                    raised.setdefault(words["alarm"], {})[int(words["mono_ms"])] = words["keys"]
        with StoreReader.open(self._store) as reader:
            high = [n.key for n in reader.notices() if n.priority is Priority.HIGH]
            rang = {
                each: round((at - running_s) * 1000 * self._speed)
                for key, at in self._rang.items()
                for each in parts(key, high)
            }
            for probe in self._probes:
                low = [
                    reading.moment.mono_ms
                    for reading in reader.readings(f"probe-{probe}", -(2**50), 2**50)
                    if reading.flag is Flag.PASS
                    and reading.value is not None
                    and reading.value < (WELL + LOW) / 2
                ]
                shift = shift_ms(probe, len(self._probes))
                first = (begin_ms // PERIOD_MS + 1) * PERIOD_MS + shift
                for start in range(first, until_ms - PERIOD_MS, PERIOD_MS):
                    seen = [at for at in low if start + OUT_FROM_MS <= at < start + OUT_TO_MS]
                    self._judge_one(start, seen, raised.get(f"air-{probe}.low", {}), rang)

    def _judge_one(
        self, start: int, low: list[int], raised: dict[int, list[str]], rang: dict[str, int]
    ) -> None:
        """Judges one period of one probe; times are ms of the daemon's clock."""
        outcome = self.outcome
        outcome.due += 1
        found = [at for at in raised if start + OUT_FROM_MS <= at < start + PERIOD_MS]
        if not low or max(low) < min(low) + ON_DELAY_MS or not found:
            outcome.lost.append(f"{start / HOUR_MS:.1f} h: not raised")
            return
        due_ms = min(at for at in low if at >= min(low) + ON_DELAY_MS)
        outcome.kept.append(min(found) - due_ms)
        heard = [rang[key] for key in raised[min(found)] if key in rang]
        if heard:
            outcome.heard.append(min(heard) - due_ms)
        else:
            outcome.lost.append(f"{start / HOUR_MS:.1f} h: not heard")
