"""A damaged file: everything on its other pages is brought over, once, wherever it is cut off."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

import damaged_store as damage
from damaged_store import NOON
from stillwell.ports import Stream
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Cause, Store, StoreReader
from stillwell.store.migrate import migrate, migrations
from stillwell.store.rescue import RESCUES

if TYPE_CHECKING:
    from tests.store.conftest import Rows

CHILD = Path(__file__).with_name("brings_over.py")
MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
"""Where a commit need not wait for a disk that others use too."""
Opener = Callable[..., Store]


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir=MEMORY) as made:
        yield Path(made)


@pytest.fixture(scope="module")
def lived(folder: Path) -> Path:
    """A sound store with a life behind it."""
    path = folder / "lived.db"
    damage.live(path)
    return path


@pytest.fixture
def copied(lived: Path, folder: Path) -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir=folder) as made:
        yield Path(shutil.copy(lived, Path(made) / "tank.db"))


def key_of(table: str, row: tuple[object, ...]) -> object:
    return row[:2] if table in ("tenmin", "cursor", "done") else row[0]


def goes_on(row: tuple[object, ...]) -> bool:
    """Whether a row's text goes on in other pages, which may be spoilt."""
    return any(isinstance(value, str) and len(value) > damage.PAGE // 2 for value in row)


def continued(lived: Path, spoilt: Iterable[int]) -> int:
    """How many further pages hold the text of rows that begin on these pages: nobody comes to them
    any more."""
    pages = damage.rows_by_page(lived)
    rows = (row for page in spoilt for rows in pages.get(page, {}).values() for row in rows)
    texts = (value for row in rows if goes_on(row) for value in row if isinstance(value, str))
    return sum(len(text) // damage.PAGE for text in texts)


def held_against(path: Path, lived: Path, spoilt: set[int], later: str = "") -> None:
    """Every row on a page that is whole is there as it was; none is there twice, and none that
    never was, but for journal entries with the text `later`."""
    before, after = damage.rows_before(lived), damage.rows_of(path)
    pages = damage.rows_by_page(lived)
    for table in (*damage.BIG, *damage.SMALL):
        was = {key_of(table, row): row for row in before[table]}
        now = {key_of(table, row): row for row in after[table]}
        for page, tables in pages.items():
            for row in tables.get(table, ()) if page not in spoilt else ():
                assert key_of(table, row) in now or goes_on(row), (table, row, page)
        for key, row in now.items():
            if key in was and table not in ("epoch", "cursor", "channel"):
                assert row == was[key] or goes_on(row), (table, key)
            elif table in ("reading", "tenmin", "notice"):
                assert key in was, (table, key)
            elif table == "journal":
                assert later in row
    with StoreReader.open(path) as reader:
        found = [reading.value for reading in reader.all_readings()]
    assert len(found) == len(set(found)) == len(after["reading"])


class TestEarlierSchema:
    def test_it_comes_over_at_once_as_this_one_has_it(self, folder: Path) -> None:
        with tempfile.TemporaryDirectory(dir=folder) as made:
            path = Path(made) / "tank.db"
            old = sqlite3.connect(path, isolation_level=None)
            migrate(old, "old", migrations()[:3])
            old.execute("INSERT INTO epoch VALUES (1, 'boot', ?, 1, 0)", (NOON,))
            old.execute("INSERT INTO channel (id, name) VALUES (1, 'water-a')")
            old.executemany(
                "INSERT INTO reading VALUES (?, 1, 1, ?, ?, 1, NULL, NULL)",
                ((n, n * 1000, n / 8) for n in range(1, 2001)),
            )
            old.execute(
                "INSERT INTO journal VALUES (1, 'k', 5, 5, 'pour', 540, 'mL to mark', '', '', NULL)"
            )
            query = "SELECT rootpage FROM sqlite_schema WHERE name = 'notice'"
            (page,) = old.execute(query).fetchone()
            old.close()
            damage.spoil(path, [page], 1)
            with Store.open(path) as store:
                assert store.disk.rescues
                with StoreReader.open(path) as reader:
                    assert [(e.unit, e.to_mark) for e in reader.journal()] == [("mL", True)]
                    assert [r.value for r in reader.all_readings()] == [
                        n / 8 for n in range(1, 2001)
                    ]


class TestPages:
    def test_without_sqlite_a_sound_file_reads_the_same(self, lived: Path) -> None:
        found: dict[str, list[object]] = {}
        for tables in damage.rows_by_page(lived).values():
            for table, rows in tables.items():
                found.setdefault(table, []).extend(rows)
        for table, rows in damage.rows_before(lived).items():
            assert sorted(found.get(table, []), key=repr) == sorted(rows, key=repr), table


class TestAnyPages:
    @settings(max_examples=12, phases=[Phase.reuse, Phase.generate])
    @given(data=st.data())
    def test_the_rows_of_all_the_others_are_there_once(
        self, lived: Path, folder: Path, data: st.DataObject
    ) -> None:
        count = lived.stat().st_size // damage.PAGE
        spoilt = data.draw(st.sets(st.integers(1, count), min_size=1, max_size=8))
        seed = data.draw(st.integers(0, 99))
        cursors = {row[:2]: row[2] for row in damage.rows_before(lived)["cursor"]}
        on_page = {p for p, t in damage.rows_by_page(lived).items() if "cursor" in t}
        with tempfile.TemporaryDirectory(dir=folder) as made:
            path = Path(shutil.copy(lived, Path(made) / "tank.db"))
            damage.spoil(path, sorted(spoilt), seed)
            store = Store.open(path)
            epoch = store.begin_epoch("boot-2", Moment(0, NOON + 10**9), True)
            if not store.disk.rescues:
                store.tail.suspect()  # as whoever meets the damage later does
                store.tick(1000)
            newest = store.tail.newest(Stream.READINGS)
            late = Moment(5, NOON + 10**9 + 5, epoch)
            store.put([Reading("water-0", late, -1.0, Flag.PASS)])
            at = damage.bring_over(store)
            if not on_page & spoilt:
                for (sink, stream), seq in cursors.items():
                    assert store.sinks.cursor(sink, Stream(stream)) == seq
            [rescue] = store.disk.rescues
            assert store.trouble is None
            assert not rescue.given_up
            assert rescue.bad_pages <= len(spoilt) + continued(lived, spoilt)
            store.tick(at + 40_000)
            store.close()
            db = sqlite3.connect(path)
            assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            # The new reading has a number that no other had.
            (number,) = db.execute("SELECT seq FROM reading WHERE value = -1").fetchone()
            db.execute("DELETE FROM reading WHERE seq = ?", (number,))
            db.commit()
            db.close()
            assert number == newest + 1
            assert number > max(row[0] for row in damage.rows_before(lived)["reading"])
            held_against(path, lived, spoilt)

    def test_the_text_of_rows_on_spoilt_pages_is_lost_where_it_goes_on(
        self, copied: Path, lived: Path
    ) -> None:
        pages = damage.rows_by_page(lived)
        long = {
            page for page, found in pages.items() if any(map(goes_on, found.get("reading", ())))
        }
        assert continued(lived, long) > 3
        damage.spoil(copied, sorted(long))
        with Store.open(copied) as store:
            store.begin_epoch("boot-2", Moment(0, NOON + 10**9), True)
            if not store.disk.rescues:
                store.tail.suspect()
                store.tick(1000)
            damage.bring_over(store)
            [rescue] = store.disk.rescues
        assert rescue.bad_pages == len(long) + continued(lived, long)
        held_against(copied, lived, long)

    def test_a_row_whose_text_goes_on_in_a_spoilt_page_takes_no_other_along(
        self, copied: Path, lived: Path
    ) -> None:
        """Also where it is the first of its page, by which the page is known."""
        whole = copied.read_bytes()
        pages = range(1, len(whole) // damage.PAGE + 1)
        # A page that text goes on in begins with the number of the next one.
        spoilt = {n for n in pages if whole[(n - 1) * damage.PAGE] == 0}
        # Nor does SQLite come to the table's pages by itself.
        db = sqlite3.connect(lived)
        query = "SELECT rootpage FROM sqlite_schema WHERE name IN ('journal', 'journal_by_time')"
        spoilt |= {root for (root,) in db.execute(query)}
        db.close()
        first = [t["journal"][0] for t in damage.rows_by_page(lived).values() if "journal" in t]
        assert any(map(goes_on, first))
        with copied.open("r+b") as file:
            for page in spoilt:
                file.seek((page - 1) * damage.PAGE)
                file.write(b"\xff" * damage.PAGE)
        with Store.open(copied) as store:
            store.tail.suspect()
            store.tick(1000)
            damage.bring_over(store)
        held_against(copied, lived, spoilt)


class TestKill:
    @pytest.mark.parametrize("step", range(3, 8))
    def test_between_any_two_steps_of_putting_the_new_file_in_its_place(
        self, copied: Path, lived: Path, step: int
    ) -> None:
        spoilt = {page_of(lived, "reading"), page_of(lived, "done")}
        damage.spoil(copied, spoilt)
        # A log with a row in it, which must not be left behind.
        left = (
            "import os, sys\nfrom stillwell.store import Store, Entry\n"
            "Store.open(sys.argv[1]).put_journal(Entry('pour', 1, 1.0, 'L', 'of a later life'))\n"
            "os._exit(0)"
        )
        died = (
            "import os, signal, sys\nfrom pathlib import Path\nfrom stillwell.store import Store\n"
            "left = int(sys.argv[2])\n"
            "def step(deed):\n"
            "    def done(*args, **kwargs):\n"
            "        global left\n"
            "        left -= 1\n"
            "        if left == 0: os.kill(os.getpid(), signal.SIGKILL)\n"
            "        return deed(*args, **kwargs)\n"
            "    return done\n"
            "Path.rename = step(Path.rename)\nPath.unlink = step(Path.unlink)\n"
            "Store.open(sys.argv[1])"
        )
        clean = copied.with_name("clean.db")
        shutil.copy(lived, clean)
        subprocess.run([sys.executable, "-c", left, str(clean)], check=True, timeout=60)
        shutil.copy(clean.with_name("clean.db-wal"), copied.with_name("tank.db-wal"))
        command = [sys.executable, "-c", died, str(copied), str(step)]
        assert subprocess.run(command, timeout=60).returncode in (-9, 0)
        assert run(copied) == "ended"
        held_against(copied, lived, spoilt, later="of a later life")
        with StoreReader.open(copied) as reader:
            assert len([e for e in reader.journal() if e.text == "of a later life"]) == 2
            assert len(reader.rescues()) == 1

    def test_at_any_moment_of_a_rescue_nothing_is_lost_and_nothing_is_twice(
        self, lived: Path, folder: Path, long_run: bool
    ) -> None:
        seed = 20261128
        chance = random.Random(seed)
        kills = 0
        pages = damage.rows_by_page(lived)
        one = {
            t: min(p for p, tables in pages.items() if t in tables)
            for t in ("reading", "tenmin", "done")
        }
        for life in range(100 if long_run else 3):
            with tempfile.TemporaryDirectory(dir=folder) as made:
                path = Path(shutil.copy(lived, Path(made) / "tank.db"))
                # A page of journal as well: what is small and vital takes the longer way then.
                more = [p for p, t in pages.items() if "journal" in t][: life % 2]
                spoilt = {*one.values(), *more}
                damage.spoil(path, spoilt, life)
                for _ in range(5):
                    kills += killed(path, chance.uniform(0, 0.4))
                assert run(path) == "ended"
                with Store.open(path) as store:
                    assert store.trouble is None
                    for found in store.disk.rescues:
                        assert not found.given_up, (seed, life)
                held_against(path, lived, spoilt, later="of a later life")
        assert kills > 0


def run(path: Path) -> str:
    made = subprocess.run(
        [sys.executable, str(CHILD), str(path)], capture_output=True, text=True, timeout=120
    )
    assert made.returncode == 0, made.stderr
    return made.stdout.split("\n")[1]


def killed(path: Path, after_s: float) -> bool:
    """Lets the child begin and kills it; whether it was still at work."""
    with subprocess.Popen(
        [sys.executable, str(CHILD), str(path)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "begins\n"
        timer = threading.Timer(after_s, child.kill)
        timer.start()
        ended = "ended" in child.stdout.read()
        timer.join()
    return not ended


class TestAtOnce:
    def test_alarms_the_journal_and_cursors_are_there_before_the_readings(
        self, copied: Path, lived: Path
    ) -> None:
        damage.spoil(copied, [page_of(lived, "reading"), page_of(lived, "done")])
        with Store.open(copied) as store:
            [rescue] = store.disk.rescues
            assert rescue.ended_ms is None
            assert len(store.latest_transitions()) == 5
            assert len(store.kept.journal_after(0)) == 120
            assert store.sinks.cursor("history", Stream.READINGS) == 4500
            assert len(store.tail.latest_readings()) == 3


class TestSinks:
    def test_a_history_is_given_every_row_in_order_and_waits_for_those_that_come_over(
        self, copied: Path, lived: Path
    ) -> None:
        spoilt = page_of(lived, "reading", 30)
        damage.spoil(copied, [spoilt, page_of(lived, "done")])
        lost = {row[0] for row in damage.rows_by_page(lived)[spoilt]["reading"]}
        with Store.open(copied) as store:
            store.begin_epoch("boot-2", Moment(0, NOON + 10**9), True)
            at, cursor, given = 1000, 1000, []
            while cursor < 9000:
                found = [r.seq for r in store.tail.rows(Stream.READINGS, cursor, 500)]
                if not found:
                    why = store.tail.why_waiting(Stream.READINGS, cursor)
                    assert "brought over from a damaged store" in why
                given += found
                cursor = given[-1] if given else cursor
                at += 1000
                store.tick(at)
            assert given == [n for n in range(1001, 9001) if n not in lost]
            damage.bring_over(store, at)
            assert store.disk.rescues[0].lost == len(lost)
            [gap] = store.disk.rescues[0].gaps
            assert gap.count == len(lost)
            assert gap.from_ms == NOON + (min(lost) - 2) * 20_000
            assert gap.to_ms == NOON + max(lost) * 20_000

    def test_a_page_that_only_a_sink_reads_does_not_stop_it(
        self, copied: Path, lived: Path
    ) -> None:
        spoilt = page_of(lived, "reading", 20)
        damage.spoil(copied, [spoilt])
        lost = {row[0] for row in damage.rows_by_page(lived)[spoilt]["reading"]}
        with Store.open(copied) as store:
            store.begin_epoch("boot-2", Moment(0, NOON + 10**9), True)
            assert not store.disk.rescues  # nobody has met it yet
            assert store.tail.rows(Stream.READINGS, min(lost) - 2, 500) == []
            assert "can't be read" in store.tail.why_waiting(Stream.READINGS, min(lost) - 2)
            at = 1000
            store.tick(at)
            assert store.disk.mishaps == 1
            damage.bring_over(store, at)
            found = [r.seq for r in store.tail.rows(Stream.READINGS, min(lost) - 2, 2)]
            assert found == [min(lost) - 1, max(lost) + 1]
            assert store.disk.rescues[0].lost == len(lost)

    def test_a_dead_letter_whose_row_is_not_there_yet_is_not_dropped(
        self, copied: Path, lived: Path
    ) -> None:
        db = sqlite3.connect(copied)
        db.execute("UPDATE dead_letter SET stream = 'readings', seq = 17, again = 1")
        db.commit()
        db.close()
        damage.spoil(copied, [page_of(lived, "done")])
        with Store.open(copied) as store:
            assert store.sinks.revived("phone") == []
            damage.bring_over(store)
            assert [row.seq for _, row in store.sinks.revived("phone")] == [17]


def page_of(lived: Path, table: str, which: int = 0) -> int:
    return [p for p, tables in sorted(damage.rows_by_page(lived).items()) if table in tables][which]


class TestWhileRunning:
    def test_a_file_that_is_cut_short_is_noticed_without_a_write(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        store = open_store()
        store.put([rows.reading(i, float(i)) for i in range(4000)])
        store.put_transition(rows.transition(1))
        store.commit()
        assert store.disk.file.db is not None
        store.disk.file.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        store.tick(31_000)
        os.truncate(path, path.stat().st_size - 10 * 4096)
        for at in range(32_000, 92_000, 1000):
            store.tick(at)
        assert store.trouble is None
        [rescue] = store.disk.rescues
        assert rescue.cause is Cause.SHORTER
        damage.bring_over(store, 92_000)
        [rescue] = store.disk.rescues
        assert rescue.lost + rescue.kept["reading"] == 4000
        assert 1000 < rescue.kept["reading"] < 3000
        assert store.latest_transitions() == [rows.transition(1)]
        assert [t.alarm for t in StoreReader.open(path).alarms()] == ["water.low"]

    @pytest.mark.parametrize("again", [False, True], ids=["deleted", "replaced"])
    def test_a_file_that_is_gone_is_brought_over_from_memory_and_from_what_is_open(
        self, open_store: Opener, path: Path, rows: Rows, again: bool
    ) -> None:
        store = open_store()
        store.put([rows.reading(i, float(i)) for i in range(9000)])
        store.put_transition(rows.transition(1), [rows.notice(1, "a")])
        store.mark_done("review", "2026-01-01")
        store.sinks.move_cursor("history", Stream.READINGS, 100)
        store.commit()
        if again:
            with Store.open(path.with_name("other.db")):
                pass
        for file in path.parent.glob("tank.db*"):
            file.unlink()
        if again:
            path.with_name("other.db").rename(path)
        for at in range(1000, 61_000, 1000):
            store.tick(at)
        assert store.disk.mishaps == 1
        assert store.disk.rescues[0].cause is (Cause.REPLACED if again else Cause.REMOVED)
        damage.bring_over(store, 61_000)
        assert store.disk.rescues[0].kept["reading"] == 9000
        assert store.trouble is None
        seqs = [r.seq for r in store.tail.rows(Stream.READINGS, 100, 9000)]
        assert seqs == list(range(101, 9001))
        store.close()
        with StoreReader.open(path) as reader:
            assert [r.value for r in reader.all_readings()] == list(map(float, range(9000)))
            assert reader.alarms() == [rows.transition(1)]
            assert [n.key for n in reader.notices()] == ["a"]
            assert len(reader.done()) == 1

    def test_a_log_that_is_gone_costs_nothing(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        store = open_store()
        store.put([rows.reading(i, float(i)) for i in range(3000)])
        store.commit()
        store.tick(1000)
        for suffix in ("-wal", "-shm"):
            path.with_name(path.name + suffix).unlink()
        for at in range(2000, 61_000, 1000):
            store.tick(at)
        [rescue] = store.disk.rescues
        assert rescue.cause is Cause.LOG_GONE
        assert rescue.ended_ms is not None
        store.put([rows.reading(9000, -1.0)])
        store.commit()
        assert path.with_name("tank.db-wal").exists()
        with StoreReader.open(path) as reader:
            found = [r.value for r in reader.all_readings()]
        assert found == [*map(float, range(3000)), -1.0]


class TestRecord:
    def test_comes_back_as_it_was_kept(self, copied: Path, lived: Path) -> None:
        damage.spoil(copied, [page_of(lived, "done"), page_of(lived, "reading")])
        with Store.open(copied) as store:
            damage.bring_over(store)
            assert RESCUES.read(RESCUES.text(store.disk.rescues)) == store.disk.rescues
            assert store.disk.rescues[0].gaps

    def test_what_is_none_is_none(self) -> None:
        for damaged in (None, "{", '[2,[{"cause":"x"}]]'):
            assert RESCUES.known(damaged) is None
