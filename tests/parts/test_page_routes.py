"""The page's routes over a real store: what they show, whom they let in, what they refuse."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import sqlite3
import stat
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from prometheus_client.openmetrics import parser

from page_tank import ACT, LOOK, NAME, Visit, lived, tank_of, until, with_passphrases
from stillwell.alarm.answer_link import Answer, occurrence, sign
from stillwell.deliver.links import kept_key, key_file
from stillwell.entry import Entry
from stillwell.notice import Message, Priority, State, Transition
from stillwell.page import live
from stillwell.page.access import Access, Role, access_file
from stillwell.page.allowed import AT_ONCE, household
from stillwell.page.drawing import drawing
from stillwell.page.guard import answers_to
from stillwell.page.now import DAY_MS, now
from stillwell.page.place import Tank, tanks
from stillwell.page.signing import ours
from stillwell.page.site import Site, now_ms
from stillwell.ports import Refusal, Stream
from stillwell.reading import Flag, Moment, Reading
from stillwell.request import Command, Reply
from stillwell.store import Store, StoreReader
from stillwell.store.lock import lock_path
from stillwell.supervise.verdict import VERDICT, Verdict, verdict_key
from stillwell.watching import KEY as RUN_KEY
from stillwell.watching import RUN, WORK, WORK_KEY, Recipient, Run, Work

HERE = f"/tank/{NAME}"
SCREENS = (HERE, f"{HERE}/night", f"{HERE}/book", f"{HERE}/machine", "/devices")
MARKUP = '<script>alert(1)</script> & "quoted" \x1b[31m'


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Tank:
    """A tank with a day and a half behind it; nobody changes it."""
    return with_passphrases(lived(tmp_path_factory.mktemp("room")))


@pytest.fixture
def own(room: Tank, tmp_path: Path) -> Tank:
    """A copy of it, to be changed."""
    for suffix in (".db", ".toml", ".page-access"):
        shutil.copy(room.store.with_suffix(suffix), tmp_path)
    config = tmp_path / "tank.toml"
    text = config.read_text(encoding="utf-8")
    config.write_text(text.replace(str(room.store), str(tmp_path / "tank.db")), encoding="utf-8")
    return tank_of(config)


def noted(reader: StoreReader) -> list[Entry]:
    """What was written by the page."""
    return [e for e in reader.journal() if e.by == "Niamh's phone"]


def parsed(text: str) -> list[Any]:
    """By the library's own parser, which is strict."""
    return list(parser.text_string_to_metric_families(text))  # type: ignore[no-untyped-call]


class TestTheScreens:
    @pytest.mark.parametrize("path", SCREENS)
    def test_are_shown_to_who_may_look_and_to_nobody_else(self, room: Tank, path: str) -> None:
        for role in Role:
            answer = Visit(room, role=role).get(path)
            assert answer.status_code == 200
            assert "<h1" in answer.text
        stranger = Visit(room, role=None).get(path)
        assert stranger.status_code == 303
        assert stranger.headers["location"] == f"/sign-in?next={path}"

    def test_now_has_the_state_first_and_the_age_of_each_figure(self, room: Tank) -> None:
        text = Visit(room).get(HERE).text
        order = ["simulation up to", "No alarm calls", "°C", "to the lowest safe level", "Due"]
        places = [text.index(each) for each in order]
        assert places == sorted(places)
        ages = re.findall(
            r"<time datetime=\"[^\"]+Z\" data-old=\"\d+\" class=\"age\">([^<]+)", text
        )
        assert re.search(r"day [\d.]+ mm below the mark to [\d.]+ mm (above|below) the mark", text)
        assert len(ages) >= 8
        assert set(ages) <= {"just now", "2 min ago", "3 min ago"} | {
            f"{n} min ago" for n in range(60)
        }

    def test_the_settings_have_their_values_and_no_secret(self, own: Tank) -> None:
        assert own.config is not None
        with own.config.open("a", encoding="utf-8") as file:
            file.write(f'[page]\nkey = "{"unsaid-" * 6}"\n')
        text = Visit(own, role=Role.LOOK).get(f"{HERE}/machine/check").text
        assert re.search(r"<h2>tank</h2>.*volume</th><td><code>&#34;68 L&#34;", text, re.DOTALL)
        assert re.search(r"<h2>page</h2>.*key</th><td><code>…<", text, re.DOTALL)
        assert "unsaid" not in text

    def test_one_that_may_only_look_sees_no_button(self, room: Tank) -> None:
        for path in (HERE, f"{HERE}/book", f"{HERE}/machine"):
            assert "<button" in Visit(room).get(path).text
            assert "<button" not in Visit(room, role=Role.LOOK).get(path).text

    def test_a_night_has_its_address_its_charts_and_its_neighbours(self, room: Tank) -> None:
        visit = Visit(room)
        last = visit.get(f"{HERE}/night").text
        (evening,) = re.findall(rf"data-series=\"{HERE}/night/([0-9-]+)/series\"", last)
        assert visit.get(f"{HERE}/night/{evening}").text == last
        assert "Water lost" in last
        assert last.count("<svg") >= 2
        drawn = visit.get(f"{HERE}/night/{evening}/series").json()
        assert {chart["name"] for chart in drawn["charts"]} >= {"level", "water"}
        for chart in drawn["charts"]:
            bars = [bar for _, bar in chart["rows"] if bar is not None]
            assert bars
            assert all(low <= value <= high for low, value, high in bars)
        assert visit.get(f"{HERE}/night/1999-01-01").status_code == 404

    def test_no_night_is_offered_that_has_not_begun(self, room: Tank) -> None:
        visit, begins_ms = Visit(room), 0
        there = [f"{HERE}/night"]
        while there:
            begins_ms = visit.get(f"{there[0]}/series").json()["start"] if begins_ms else 1
            text = visit.get(there[0]).text
            there = re.findall(r'href="([^"]+)">Night after<', text)
        assert 0 < begins_ms <= now_ms()

    def test_what_was_done_in_a_night_is_marked_in_it(self, own: Tank) -> None:
        visit = Visit(own)
        address = re.compile(rf"data-series=\"({HERE}/night/[0-9-]+/series)\"")
        (series,) = address.findall(visit.get(f"{HERE}/night").text)
        drawn = visit.get(series).json()
        at_ms = drawn["charts"][0]["rows"][3][0]
        assert at_ms not in [mark["at"] for mark in drawn["marks"]]
        with Store.open(own.store, bulk=True) as store:
            store.put_journal(Entry("pour", at_ms, 540.0, "mL"))
        assert {"at": at_ms, "kind": "done"} in visit.get(series).json()["marks"]
        assert 'class="mark done"' in visit.get(series.removesuffix("/series")).text

    def test_without_the_library_for_charts_there_is_the_picture(self, room: Tank) -> None:
        with_it, without = (
            Visit(room, charts=folder).get(f"{HERE}/night").text
            for folder in (Path("/usr/share/javascript/dygraphs"), Path("/nowhere"))
        )
        assert "dygraph.min.js" in with_it
        assert "<script" not in without
        assert "<svg" in without

    def test_nothing_is_fetched_from_elsewhere_and_no_style_or_script_stands_in_a_page(
        self, room: Tank
    ) -> None:
        visit = Visit(room)
        for path in SCREENS:
            answer = visit.get(path)
            assert not re.search(r"(?:src|href|action)=\"(?:https?:)?//", answer.text)
            assert not re.search(r"<style|\sstyle=|\son\w+=|<script>", answer.text)
            policy = answer.headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert answer.headers["cache-control"] == "no-store"

    def test_now_weighs_less_than_40_kb_in_three_requests(self, room: Tank) -> None:
        visit = Visit(room)
        answer = visit.get(HERE)
        files = re.findall(r"(?:src|href)=\"(/static/[^\"]+)\"", answer.text)
        assert len(files) <= 2
        with visit.client.stream("GET", HERE) as one:
            weight = len(b"".join(one.iter_raw()))
        for file in files:
            with visit.client.stream("GET", file) as one:
                weight += len(b"".join(one.iter_raw()))
                assert "immutable" in one.headers["cache-control"]
        assert weight <= 40_000

    def test_now_is_ready_again_before_anybody_comes_back(
        self, own: Tank, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        made: list[float] = []
        rendered: list[str] = []
        render = Site.render

        def counted(*given: Any) -> Any:
            made.append(time.monotonic())
            return now(*given)

        def listed(site: Site, template: str, **values: Any) -> str:
            rendered.append(template)
            return render(site, template, **values)

        monkeypatch.setattr(live, "now", counted)
        monkeypatch.setattr(Site, "render", listed)
        monkeypatch.setattr(live, "LOOKS_S", 0.02)
        monkeypatch.setattr(live, "KEEPS_S", 3600.0)
        visit = Visit(own)
        with visit.client:
            time.sleep(0.2)
            assert made == []  # nobody has come yet
            visit.get(HERE)
            with Store.open(own.store) as store:
                store.put_journal(Entry("pour", now_ms(), 540.0, "mL"))
            until(lambda: len(made) > 1, "the screen is made anew by itself")
            until(lambda: time.monotonic() - made[-1] > 1.0, "all of the change has been seen")
            count = len(made), len(rendered)
            assert visit.get(HERE).status_code == 200
            assert (len(made), len(rendered)) == count

    def test_several_tanks_stand_in_one_page(self, room: Tank, own: Tank) -> None:
        other = Tank("nursery", own.config, own.store)
        text = Visit(room, other).get("/").text
        assert f'href="{HERE}"' in text
        assert 'href="/tank/nursery"' in text
        assert Visit(room).get("/").headers["location"] == HERE

    def test_two_tanks_of_one_name_are_both_shown(self, room: Tank, own: Tank) -> None:
        assert room.config is not None
        assert own.config is not None
        other = own.config.rename(own.config.with_name("nursery.toml"))
        assert [tank.name for tank in tanks([room.config, other], None)] == [NAME, "nursery"]

    def test_the_secrets_of_the_first_tank_are_not_the_others(
        self, room: Tank, own: Tank, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        assert room.config is not None
        assert own.config is not None
        (tmp_path / "page.key").write_text("of the first tank alone, and long enough")
        monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
        kept = kept_key(key_file(own.store))
        other = own.config.rename(own.config.with_name("nursery.toml"))
        first, second = tanks([room.config, other], None)
        assert first.link_key() == b"of the first tank alone, and long enough"
        assert second.link_key() == kept


class Watched:
    """A store in a daemon's hand."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self._began_ms = now_ms()
        self._epoch = store.begin_epoch("boot", Moment(0, self._began_ms, 0), True)
        store.describe(RUN_KEY, RUN.text(Run(self.now(), "1")))

    def now(self) -> Moment:
        at = now_ms()
        return Moment(at - self._began_ms, at, self._epoch)

    def reads(self, celsius: float) -> None:
        """Keeps a reading of each probe in the water."""
        probes = ("water-a", "water-b")
        self.store.put([Reading(name, self.now(), celsius, Flag.PASS) for name in probes])
        self.store.commit()


class Tending:
    """The looking after a screen by itself, which can be held up."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.goes_on = threading.Event()
        self.goes_on.set()
        self._waits = threading.Event()
        self._passed = 0
        tend = live.Board.tend

        def tended(board: live.Board) -> None:
            if not self.goes_on.is_set():
                self._waits.set()
                assert self.goes_on.wait(60)
            tend(board)
            self._passed += 1

        patch.setattr(live.Board, "tend", tended)
        patch.setattr(live, "LOOKS_S", 0.02)
        patch.setattr(live, "TENDED_S", 3600.0)

    @contextlib.contextmanager
    def held_up(self, visit: Visit) -> Iterator[str]:
        """Visits Now until it is looked after, then holds that up; yields what is shown."""
        shown = str(visit.get(HERE).text)
        passed = self._passed
        until(lambda: self._passed > passed + 1, "the screen is looked after")
        self.goes_on.clear()
        try:
            assert self._waits.wait(60)
            yield shown
        finally:
            self.goes_on.set()


class TestNowWhileItIsBeingMadeAnew:
    """Beside a store that is written as a daemon does it. The making of the next screen is held up
    by hand, so that what a visit gets meanwhile does not depend on the machine."""

    @pytest.fixture
    def watched(self, own: Tank) -> Iterator[Watched]:
        with Store.open(own.store) as store:
            watched = Watched(store)
            watched.reads(25.1)
            yield watched

    @pytest.fixture
    def made(self, monkeypatch: pytest.MonkeyPatch) -> list[int]:
        """Grows by one with each screen that is worked out."""
        made: list[int] = []

        def counted(*given: Any) -> Any:
            made.append(1)
            return now(*given)

        monkeypatch.setattr(live, "now", counted)
        return made

    @pytest.fixture
    def tending(self, monkeypatch: pytest.MonkeyPatch) -> Tending:
        return Tending(monkeypatch)

    def test_a_visit_gets_the_last_figures_with_their_time(
        self, own: Tank, watched: Watched, made: list[int], tending: Tending
    ) -> None:
        visit = Visit(own)
        with visit.client, tending.held_up(visit):
            watched.reads(25.9)
            count = len(made)
            meanwhile = visit.get(HERE).text
            assert len(made) == count
            assert _number(meanwhile) == "25.1"
            assert 'class="age">just now</time>' in meanwhile
            tending.goes_on.set()
            until(lambda: _number(visit.get(HERE).text) == "25.9", "the new figure is shown")

    def test_an_alarm_an_entry_and_the_daemons_end_are_never_late(
        self, own: Tank, watched: Watched, made: list[int], tending: Tending
    ) -> None:
        visit, store = Visit(own), watched.store
        with visit.client, tending.held_up(visit) as before:
            assert "No alarm calls." in before
            _raises(store, watched.now())
            assert "Water 24.2" in visit.get(HERE).text
            store.put_journal(Entry("salinity", now_ms(), 34.7, "ppt"))
            assert "Salinity last measured" in visit.get(HERE).text
            store.close()
            assert "NOT WATCHING" in visit.get(HERE).text

    def test_what_nobody_looks_after_is_not_shown_when_it_is_old(
        self, own: Tank, watched: Watched
    ) -> None:
        visit = Visit(own)
        assert _number(visit.get(HERE).text) == "25.1"
        watched.reads(25.9)
        assert _number(visit.get(HERE).text) == "25.9"

    def test_who_has_just_acted_sees_what_came_of_it(
        self, own: Tank, watched: Watched, made: list[int], tending: Tending
    ) -> None:
        visit = Visit(own)

        def answer() -> None:
            with contextlib.closing(sqlite3.connect(own.store)) as db:
                until(lambda: db.execute("SELECT id FROM request").fetchone(), "it is asked")
            watched.store.answer(1, Reply(True, "The drill has begun."))
            watched.reads(25.9)

        with visit.client, tending.held_up(visit):
            daemon = threading.Thread(target=answer)
            daemon.start()
            told = visit.told(f"{HERE}/drill")
            daemon.join()
            assert "The drill has begun." in told
            assert _number(told) == "25.9"

    def test_one_working_out_is_for_both_roles(
        self, own: Tank, watched: Watched, made: list[int], tending: Tending
    ) -> None:
        acts = Visit(own)
        looks = Visit(own, role=Role.LOOK, app=acts.app)
        with acts.client, tending.held_up(acts):
            count = len(made)
            assert "I work at the tank" in acts.get(HERE).text
            assert "I work at the tank" not in looks.get(HERE).text
            assert len(made) == count


def _raises(store: Store, at: Moment) -> Transition:
    """Keeps and returns an alarm that rings."""
    raised = Transition(
        "water.low",
        at,
        State.NORMAL,
        State.UNACKNOWLEDGED,
        "raise",
        Priority.HIGH,
        True,
        Message("Water 24.2 °C.", do="See to the heater."),
        at,
    )
    store.put_transition(raised)
    return raised


def _number(text: str) -> str:
    """Returns the water's temperature on the screen."""
    found = re.search(r"<h2>Water</h2>\s*<p class=\"number\"><span>(.*?)</span>", text)
    assert found
    return found[1]


class TestNobodyWatches:
    """In the largest letters, on every screen that is opened from a phone."""

    @pytest.fixture
    def left(self, own: Tank) -> Tank:
        """A tank that a daemon has watched and left."""
        with Store.open(own.store) as store:
            began = Moment(0, now_ms(), store.begin_epoch("boot", Moment(0, now_ms(), 0), True))
            store.describe(RUN_KEY, RUN.text(Run(began, "1")))
        return own

    def test_is_said_in_red_and_in_the_title(self, left: Tank) -> None:
        text = Visit(left).get(HERE).text
        assert "<title>NOT WATCHED: " in text
        (state,) = re.findall(r'<section class="state unwatched".*?</section>', text, re.DOTALL)
        assert "NOT WATCHING since" in state
        assert "No alarm calls" not in text
        assert "No alarm stood when the tank was last watched." in text
        assert "NOT WATCHING since" in Visit(left).get(f"{HERE}/machine").text
        other = Tank("nursery", left.config, left.store)
        assert Visit(left, other).get("/").text.count("NOT WATCHING since") == 2

    def test_by_a_daemon_that_hangs_either(self, left: Tank) -> None:
        with Store.open(left.store):
            visit = Visit(left)
            assert "unwatched" not in visit.get(HERE).text
            os.utime(lock_path(left.store), (0, 0))
            visit = Visit(left)
            text = visit.get(HERE).text
            figures = visit.get("/metrics").text
        assert 'class="state unwatched"' in text
        assert "the daemon is there, but hangs" in text
        assert f'stillwell_watched{{tank="{NAME}"}} 0.0' in figures

    def test_figures_that_are_old_are_grey_and_called_old(self, left: Tank) -> None:
        assert "number old" not in Visit(left).get(HERE).text
        with contextlib.closing(sqlite3.connect(left.store)) as db:
            db.execute("UPDATE epoch SET offset_ms = offset_ms - 3 * 3600000")
            db.commit()
        text = Visit(left).get(HERE).text
        assert 'class="number old"' in text
        assert re.search(r'class="age old">3 h[^<]* ago: old<', text)


class TestTheMachine:
    def test_says_of_each_recipient_how_it_is_doing(self, own: Tank) -> None:
        at = now_ms()
        with Store.open(own.store) as store:
            began = Moment(0, at, store.begin_epoch("boot", Moment(0, at, 0), True))
            names = "niamh", "caretaker", "new"
            run = Run(began, "1", recipients=tuple(Recipient(name) for name in names))
            store.describe(RUN_KEY, RUN.text(run))
            for name, verdict in (
                ("niamh", Verdict(False, "", at)),
                ("caretaker", Verdict(True, "Nobody answers at <far>.", at)),
                ("old", Verdict(False, "", at)),
            ):
                store.describe(verdict_key(name), VERDICT.text(verdict))
            newest = store.newest(Stream.READINGS)
            store.sinks.move_cursor("niamh", Stream.READINGS, newest)
            refused = Refusal(newest - 9, "too large")
            store.sinks.move_cursor("caretaker", Stream.READINGS, newest - 5, [refused])
            store.sinks.move_cursor("old", Stream.READINGS, newest - 5)
            store.commit()
            text = Visit(own).get(f"{HERE}/machine").text
        (part,) = re.findall(r'aria-label="Recipients".*?</section>', text, re.DOTALL)
        said = re.sub(r"\d\d:\d\d", "12:00", part)
        for words in (
            "<b>niamh</b> well since 12:00, has everything<",
            "<b>caretaker</b> (!) away since 12:00, 5 behind, refused 1. Nobody answers at &lt;",
            "<b>new</b> (!) not tried yet<",
            "<b>old</b> no longer configured<",
        ):
            assert words in said, part
        assert "No recipient is configured" not in text
        assert "Start a drill" in part

    def test_says_where_nobody_is_told(self, room: Tank) -> None:
        text = Visit(room).get(f"{HERE}/machine").text
        assert "an alarm reaches nobody who is not looking" in text


class TestTheBook:
    def test_takes_a_note_and_strikes_it_out(self, own: Tank) -> None:
        visit = Visit(own)
        told = visit.told(f"{HERE}/book", {"kind": "pour", "value": "0.5", "unit": "L", "key": "a"})
        assert "Noted as entry" in told
        assert "Niamh&#39;s phone" in told
        again = visit.told(
            f"{HERE}/book", {"kind": "pour", "value": "0.5", "unit": "L", "key": "a"}
        )
        assert "noted already" in again
        assert "Poured 500 mL" in again  # as a button, from now on
        with StoreReader.open(own.store) as reader:
            (entry,) = noted(reader)
        assert (entry.kind, entry.value, entry.by) == ("pour", 500.0, "Niamh's phone")
        assert "is struck out" in visit.told(f"{HERE}/book/strike", {"entry": str(entry.id)})
        assert "already" in visit.told(f"{HERE}/book/strike", {"entry": str(entry.id)})
        with StoreReader.open(own.store) as reader:
            assert not noted(reader)

    def test_asks_and_refuses_as_the_command_does(self, own: Tank) -> None:
        visit = Visit(own)
        odd = {"kind": "salinity", "value": "22", "unit": "ppt", "key": "b"}
        asked = visit.post(f"{HERE}/book", odd)
        assert asked.status_code == 409
        assert "Yes, it is right" in asked.text
        assert "Noted" in visit.told(f"{HERE}/book", {**odd, "sure": "1"})
        refused = visit.post(f"{HERE}/book", {"kind": "salinity", "value": "99", "unit": "ppt"})
        assert refused.status_code == 422
        assert 'value="99"' in refused.text  # what was typed is still there
        for kind in ("", "nonsense", MARKUP):
            assert visit.post(f"{HERE}/book", {"kind": kind}).status_code == 422

    def test_shows_markup_as_text(self, own: Tank) -> None:
        visit = Visit(own, name=MARKUP[:20])
        told = visit.told(f"{HERE}/book", {"kind": "note", "text": MARKUP})
        assert "<script>alert" not in told
        assert "&lt;script&gt;alert" in told
        assert "\x1b" not in told

    def test_a_salinity_stands_on_now_with_its_age(self, own: Tank) -> None:
        visit = Visit(own)
        assert "last measured" not in visit.get(HERE).text
        found = []
        for ppt in ("35.0", "36.0"):
            visit.told(f"{HERE}/book", {"kind": "salinity", "value": ppt, "unit": "ppt"})
            found += re.findall(r">Salinity ([\d.]+) ppt", visit.get(HERE).text)
        assert float(found[0]) == pytest.approx(35.0, abs=0.1)
        assert float(found[1]) > float(found[0])
        (age,) = re.findall(r"Salinity last measured <time [^>]+>([^<]+)", visit.get(HERE).text)
        assert age == "just now"

    def test_has_its_months_with_salinity_tests_and_the_range_of_the_water(self, own: Tank) -> None:
        """A month two months ago, of which only means of ten minutes are left."""
        first = datetime.now(UTC).replace(day=1, hour=8) - timedelta(days=32)
        ms = round(first.replace(day=10).timestamp()) // 600 * 600_000
        month = f"{first:%Y-%m}"

        def day(number: int, form: str) -> str:
            return f"{first.replace(day=number):{form}}"

        cells = [(ms, 24.1, 24.6), (ms + DAY_MS, 23.4, 24.9), (ms + 2 * DAY_MS, 24.0, 26.3)]
        with Store.open(own.store, bulk=True) as store:
            for days, kind, value, unit in (
                (0, "salinity", 34.2, "ppt"),
                (1, "ammonia", 0.25, "mg/L N"),
                (3, "ph", 8.1, "NBS"),
                (9, "salinity", 35.8, "ppt"),
            ):
                store.put_journal(Entry(kind, ms + days * DAY_MS, value, unit))
        with contextlib.closing(sqlite3.connect(own.store)) as db:
            for channel in ("water-a", "water-b"):
                (number,) = db.execute(
                    "SELECT id FROM channel WHERE name = ?", (channel,)
                ).fetchone()
                for at, low, high in cells:
                    row = (number, at, 20, 20, low, (low + high) / 2, high)
                    db.execute("INSERT INTO tenmin VALUES (?, ?, ?, ?, ?, ?, ?)", row)
            db.commit()
        visit = Visit(own)
        text = visit.get(f"{HERE}/book").text
        assert f'href="{HERE}/book?month={month}" class="button">{first:%b %Y}<' in text
        assert "highest 26.3" not in text
        text = visit.get(f"{HERE}/book?month={month}").text
        assert re.search(rf"<h2>01 {first:%b %Y} to (30|31|28|29) {first:%b %Y}</h2>", text)
        ends = f"Lowest 23.4 °C ({day(11, '%d %b')}), highest 26.3 °C ({day(12, '%d %b')})."
        assert f"Water: {ends}" in text
        (salt,) = re.findall(r">Salinity ([\d.]+) to ([\d.]+) ppt", text)
        low, high = map(float, salt)
        assert low == pytest.approx(34.2, abs=0.2)
        assert high > 35.4  # at the second check; it rises on as the water evaporates
        assert 'class="spread"' in text  # its interval
        rows = re.findall(r"<tr><td>([^<]+)</td><td>([^<]+)</td><td>([^<]+)</td></tr>", text)
        assert rows == [
            (day(13, "%a %d %b"), "ph", "8.1"),
            (day(11, "%a %d %b"), "ammonia", "0.25 mg/L as N"),
        ]
        assert day(10, "%A %d %B %Y") in text
        for odd in ("2026-13", "1999-01", "9999-12", "x"):
            assert visit.get(f"{HERE}/book?month={odd}").status_code == 200

    def test_goes_out_as_a_file(self, own: Tank) -> None:
        visit = Visit(own)
        visit.told(f"{HERE}/book", {"kind": "fed"})
        answer = visit.get(f"{HERE}/book/export.csv")
        assert answer.text.startswith("time,kind,value,unit,text,by\n")
        assert ",fed," in answer.text
        assert "attachment" in answer.headers["content-disposition"]


class TestMetrics:
    def test_are_openmetrics_with_intervals_and_ages(self, room: Tank) -> None:
        answer = Visit(room).get("/metrics")
        assert answer.headers["content-type"].startswith("application/openmetrics-text")
        families = {f.name: f for f in parsed(answer.text)}
        channels = {s.labels["channel"] for s in families["stillwell_reading"].samples}
        assert {"water-a", "level", "float-low"} <= channels
        assert families["stillwell_watched"].samples[0].value == 0
        low, value, high = (
            next(s.value for s in families[name].samples if s.labels["name"] == "level.now")
            for name in ("stillwell_estimate_low", "stillwell_estimate", "stillwell_estimate_high")
        )
        assert low <= value <= high

    def test_count_what_the_daemon_has_done_and_lost(self, own: Tank) -> None:
        with Store.open(own.store) as store:
            store.describe(WORK_KEY, WORK.text(Work(commits=41, dropped=2, lost=3)))
        families = {f.name: f for f in parsed(Visit(own).get("/metrics").text)}
        for name, count in (("store_commits", 41), ("dropped_items", 2), ("lost_readings", 3)):
            family = families[f"stillwell_{name}"]
            assert (family.type, family.samples[0].value) == ("counter", count)

    def test_are_for_this_machine_or_who_has_signed_in(self, room: Tank) -> None:
        assert Visit(room, role=None).get("/metrics").status_code == 403
        here = Visit(room, role=None, peer="127.0.0.1")
        here.client.base_url = "http://127.0.0.1"
        assert here.get("/metrics").status_code == 200
        by_proxy = here.get("/metrics", headers={"x-forwarded-for": "203.0.113.9"})
        assert by_proxy.status_code == 403


class TestSigningIn:
    def test_gives_a_cookie_that_only_this_page_is_told(self, own: Tank) -> None:
        visit = Visit(own, role=None)
        sent = {"passphrase": ACT, "name": "kitchen", "next": f"{HERE}/book"}
        answer = visit.client.post("/sign-in", data=sent)
        assert answer.status_code == 303
        assert answer.headers["location"] == f"{HERE}/book"
        cookie = answer.headers["set-cookie"].lower()
        for part in ("httponly", "samesite=strict", "path=/", "max-age=7776000"):
            assert part in cookie
        assert "secure" not in cookie
        assert visit.get(HERE).status_code == 200
        held = access_file(own.store)
        assert stat.S_IMODE(held.stat().st_mode) == 0o600
        assert visit.client.cookies["stillwell"] not in held.read_text(encoding="utf-8")
        assert ACT not in held.read_text(encoding="utf-8")

    def test_behind_tls_the_cookie_is_secure(self, own: Tank) -> None:
        visit = Visit(own, role=None, peer="127.0.0.1")
        answer = visit.client.post(
            "/sign-in", data={"passphrase": ACT}, headers={"x-forwarded-proto": "https"}
        )
        assert answer.headers["set-cookie"].startswith("__Host-stillwell=")
        assert "Secure" in answer.headers["set-cookie"]

    def test_wrong_ones_are_refused_and_soon_not_even_tried_but_elsewhere_they_are(
        self, own: Tank
    ) -> None:
        at_s = [0.0]
        stranger = Visit(own, role=None, peer="192.168.1.66", clock_s=lambda: at_s[0])
        found = [
            stranger.client.post("/sign-in", data={"passphrase": f"guess {n}"}).status_code
            for n in range(AT_ONCE + 2)
        ]
        assert found == [403] * AT_ONCE + [429] * 2
        assert "link in a message" in stranger.client.post("/sign-in", data={}).text
        at_s[0] += 11.0
        assert stranger.client.post("/sign-in", data={"passphrase": "guess"}).status_code == 403
        keeper = Visit(own, role=None, app=stranger.app)
        assert keeper.client.post("/sign-in", data={"passphrase": LOOK}).status_code == 303

    def test_a_device_can_be_signed_out_and_a_new_passphrase_signs_out_all(self, own: Tank) -> None:
        lost, keeper, guest = Visit(own, name="lost"), Visit(own), Visit(own, role=Role.LOOK)
        (device,) = [d for d in keeper.access.devices(now_ms()) if d.name == "lost"]
        assert guest.post("/devices/sign-out", {"device": device.id}).status_code == 403
        assert keeper.post("/devices/sign-out", {"device": device.id}).status_code == 303
        assert lost.get(HERE).status_code == 303
        assert keeper.get(HERE).status_code == 200
        Access(access_file(own.store)).set_passphrase(Role.ACT, "another one for good")
        assert keeper.get(HERE).status_code == 303
        assert guest.get(HERE).status_code == 200

    def test_a_cookie_counts_for_90_days(self, own: Tank) -> None:
        access = Access(access_file(own.store))
        signed_ms = now_ms()
        cookie = access.sign_in(ACT, "old phone", signed_ms) or ""
        assert access.visitor(cookie, signed_ms + 89 * 86_400_000) is not None
        assert access.visitor(cookie, signed_ms + 90 * 86_400_000) is None

    def test_without_a_passphrase_it_is_this_machines_own(self, own: Tank) -> None:
        access_file(own.store).unlink()
        away = Visit(own, role=None)
        assert away.get(HERE).status_code == 503
        assert "--set-passphrase" in away.get(HERE).text
        here = Visit(own, role=None, peer="127.0.0.1")
        here.client.base_url = "http://localhost"
        assert here.get(HERE).status_code == 200
        for header in ({"x-forwarded-for": "192.168.1.9"}, {"host": "tank.local"}):
            assert here.get(HERE, headers=header).status_code == 503

    @given(st.text(max_size=60) | st.text("/\\.:ex", max_size=8))
    @example("//evil.example/")
    @example("/\\evil.example")
    @example("https://evil.example")
    def test_goes_on_to_no_other_site(self, way: str) -> None:
        there = ours(way)
        assert there.startswith("/")
        assert not there.startswith(("//", "/\\"))
        assert there.isprintable()


class TestTheLinkInAMessage:
    @pytest.mark.parametrize(
        ("left_ms", "cut", "status", "says"),
        [
            (60_000, 0, 200, "not known here any more"),
            (-1, 0, 200, "has expired"),
            (60_000, 2, 404, "not made here, or was not copied whole"),
        ],
    )
    def test_that_answers_nothing_says_so_and_offers_the_sign_in(
        self, own: Tank, left_ms: int, cut: int, status: int, says: str
    ) -> None:
        key = kept_key(key_file(own.store))
        wanted = Answer(Command.ACKNOWLEDGE, "water.low", "1:5", now_ms() + left_ms, "once")
        token = sign(wanted, key)
        stranger = Visit(own, role=None)
        answer = stranger.get(f"/answer/{token[: len(token) - cut]}")
        assert answer.status_code == status
        assert says in answer.text
        assert "<button" not in answer.text
        assert "with the passphrase" in answer.text
        other = sign(wanted, b"k" * 32)
        assert stranger.client.post(f"/answer/{other}").status_code == 404

    def test_for_an_alarm_that_has_ended_says_since_when_and_what_happened(self, own: Tank) -> None:
        at = now_ms()
        with Store.open(own.store) as store:
            epoch = store.begin_epoch("boot", Moment(0, at, 0), True)
            store.describe(RUN_KEY, RUN.text(Run(Moment(0, at, epoch), "1")))
            over = Moment(61_000, at + 61_000, epoch)
            raised = _raises(store, Moment(1_000, at + 1_000, epoch))
            key = kept_key(key_file(own.store))
            wanted = Answer(
                Command.ACKNOWLEDGE, "water.low", occurrence(raised), now_ms() + 60_000, "once"
            )
            link = f"/answer/{sign(wanted, key)}"
            stranger = Visit(own, role=None)
            assert "<button" in stranger.get(link).text
            store.put_transition(
                replace(
                    raised,
                    moment=over,
                    before=State.UNACKNOWLEDGED,
                    after=State.NORMAL,
                    event="clear",
                    active=False,
                    since=over,
                )
            )
            answer = stranger.get(link)
        assert "This alarm is over since" in answer.text
        assert re.search(r"\d\d:\d\d: over", answer.text)
        assert "<button" not in answer.text
        assert "with the passphrase" in answer.text

    def test_is_not_taken_where_nobody_watches(self, own: Tank) -> None:
        key = kept_key(key_file(own.store))
        token = sign(Answer(Command.ACKNOWLEDGE, "water.low", "1:5", now_ms() + 60_000, "x"), key)
        answer = Visit(own, role=None).client.post(f"/answer/{token}")
        assert answer.status_code == 503
        assert "No daemon is running" in answer.text


class TestAttacks:
    def test_a_form_of_another_site_does_nothing(self, own: Tank) -> None:
        visit = Visit(own)
        note = {"kind": "fed"}
        for headers in (
            {"origin": "http://evil.example"},
            {"origin": "null"},
            {"sec-fetch-site": "cross-site"},
            {"sec-fetch-site": "same-site"},
        ):
            assert visit.post(f"{HERE}/book", note, headers=headers).status_code == 403
        for csrf in ("", "0" * 32, MARKUP, "ä"):
            answer = visit.client.post(f"{HERE}/book", data={**note, "csrf": csrf})
            assert answer.status_code == 403
        other = Visit(own, name="another")
        answer = visit.client.post(f"{HERE}/book", data={**note, "csrf": other.csrf})
        assert answer.status_code == 403
        with StoreReader.open(own.store) as reader:
            assert not noted(reader)

    def test_a_name_that_is_not_ours_is_not_answered_to(self, room: Tank) -> None:
        visit = Visit(room)
        for host in (
            "evil.example",
            "tank.local.evil.example",
            "",
            "127.0.0.1.evil.example",
        ):
            assert visit.get(HERE, headers={"host": host}).status_code == 421
        for host in ("tank.local", "TANK.LOCAL:8080", "192.168.1.5:8080", "[fe80::1]:8080"):
            assert visit.get(HERE, headers={"host": host}).status_code in (200, 303)

    def test_a_tank_that_is_not_here_is_said_to_be_none(self, room: Tank) -> None:
        visit = Visit(room)
        for screen in ("", "/night", "/book", "/machine", "/book/export.csv"):
            answer = visit.get(f"/tank/another{screen}")
            assert answer.status_code == 404, screen
            assert "There is no such tank here." in answer.text, screen
        for deed in ("/book", "/drill"):
            assert "There is no such tank here." in visit.post(f"/tank/another{deed}", {}).text

    @given(st.text(max_size=40))
    def test_no_name_is_taken_for_an_address(self, host: str) -> None:
        assert not answers_to(f"{host}.example", ())

    @pytest.mark.parametrize(
        "path",
        [
            "/static/../app.py",
            "/static/%2e%2e/app.py",
            "/static/..%2fapp.py",
            "/static//etc/passwd",
            "/dygraphs/../../../../etc/passwd",
            "/dygraphs/%2e%2e%2fdygraph.js",
            "/tank/../../etc",
            f"{HERE}/night/../../../etc/passwd",
            f"{HERE}/night/%00",
            "/answer/..%2f..%2fetc",
        ],
    )
    def test_no_path_leads_out(self, room: Tank, path: str) -> None:
        answer = Visit(room).get(path)
        assert answer.status_code in (303, 404)
        assert "root:" not in answer.text

    def test_forged_cookies_are_strangers(self, room: Tank) -> None:
        for cookie in ("x", "0" * 43, "a" * 5000, "ä", '"'):
            answer = Visit(room, role=None).get(
                HERE, headers={"cookie": f"stillwell={cookie}".encode("latin-1", "replace")}
            )
            assert answer.status_code == 303

    def test_what_is_too_long_is_not_read(self, room: Tank) -> None:
        visit = Visit(room)
        assert visit.post(f"{HERE}/book", {"text": "x" * 40_000}).status_code == 413
        lying = visit.client.post(f"{HERE}/book", content=iter([b"x" * 10_000] * 5))
        assert lying.status_code == 413
        many = "&".join(f"a{n}=1" for n in range(500))
        form = {"content-type": "application/x-www-form-urlencoded"}
        assert visit.client.post(f"{HERE}/book", content=many, headers=form).status_code == 403

    def test_other_methods_are_refused(self, room: Tank) -> None:
        visit = Visit(room)
        for method in ("PUT", "DELETE", "OPTIONS", "TRACE", "PATCH"):
            assert visit.client.request(method, HERE).status_code == 405
        assert visit.get(f"{HERE}/drill").status_code == 405

    @settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(data=st.data())
    def test_nothing_that_is_sent_is_more_than_a_clear_page(
        self, room: Tank, data: st.DataObject
    ) -> None:
        """Every route with anything in its place: never a fault of our own."""
        part = st.text(st.characters(codec="utf-8", exclude_characters="/?#\\"), max_size=12)
        part |= st.sampled_from(["2026-02-30", "0001-01-01", "9999-12-31", "%2e%2e", "-1", "1.a.b"])
        names = st.sampled_from(
            [
                "kind",
                "value",
                "unit",
                "at",
                "text",
                "alarm",
                "deed",
                "minutes",
                "entry",
                "device",
                "key",
                "lasted",
                "csrf",
                "next",
                "sure",
            ]
        )
        words = st.text(max_size=20) | st.sampled_from(
            ["pour", "shelve", "nan", "1e999", "-0", "٣"]
        )
        tank = st.just(NAME) | part
        with visiting(room) as visit:
            route = data.draw(st.sampled_from(fuzzed(visit)))
            drawn = {name: data.draw(tank if name == "tank" else part) for name in NAMES}
            path = route.format(**{name: quote(text) for name, text in drawn.items()})
            query = data.draw(st.sampled_from(["", "month", "kind", "said", "next"]))
            path += f"?{query}={quote(data.draw(part))}" if query else ""
            if data.draw(st.booleans()):
                answer = visit.get(path)
            else:
                sent = data.draw(st.dictionaries(names, words, max_size=6))
                sent.pop("sure", None)
                answer = visit.post(
                    path, {k: v for k, v in sent.items() if k != "kind" or v != "fed"}
                )
        assert answer.status_code < 500 or "No daemon" in answer.text, (path, answer.text)


NAMES = ("tank", "token", "evening", "name")
UNENDING = "/live", "/machine/check", "/picture.png"
"""A stream; and what starts a process of its own for each visit."""


def fuzzed(visit: Visit) -> list[str]:
    """Every path that the page has, from its own list."""
    app: Any = visit.app
    paths = {route.path for route in app._app.routes}
    return sorted(path for path in paths if not path.endswith(UNENDING))


class visiting:  # noqa: N801
    """One visit for all examples: signing in is slow on purpose."""

    kept: Visit | None = None

    def __init__(self, tank: Tank) -> None:
        type(self).kept = type(self).kept or Visit(tank)

    def __enter__(self) -> Visit:
        assert self.kept is not None
        return self.kept

    def __exit__(self, *exc: object) -> None:
        pass


class TestAStoreInTrouble:
    def test_that_is_missing_is_said(self, own: Tank) -> None:
        visit = Visit(own)
        own.store.unlink()
        for path in (HERE, f"{HERE}/night", f"{HERE}/book"):
            answer = visit.get(path)
            assert answer.status_code == 503
            assert "no store" in answer.text

    def test_of_a_later_version_is_said(self, own: Tank) -> None:
        visit = Visit(own)
        with sqlite3.connect(own.store) as db:
            db.execute("PRAGMA user_version = 999")
        answer = visit.get(HERE)
        assert answer.status_code == 503
        assert "later version" in answer.text or "version" in answer.text

    def test_of_an_earlier_version_is_said(self, own: Tank) -> None:
        visit = Visit(own)
        with sqlite3.connect(own.store) as db:
            db.execute("PRAGMA user_version = 3")
        for path in (HERE, f"{HERE}/night", f"{HERE}/book"):
            answer = visit.get(path)
            assert answer.status_code == 503
            assert "Start the daemon once" in answer.text

    def test_of_which_a_part_is_damaged_is_said(self, own: Tank) -> None:
        """Wherever the damage lies: what is whole is shown, or what is wrong is said."""
        whole = own.store.read_bytes()
        visit = Visit(own)
        seen = set()
        for tenth in range(1, 10):
            begin = len(whole) * tenth // 10
            own.store.write_bytes(whole[:begin] + b"\xa5" * 40_000 + whole[begin + 40_000 :])
            for path in (HERE, f"{HERE}/night", f"{HERE}/book", f"{HERE}/machine", "/metrics"):
                answer = Visit(own, app=visit.app).get(path)
                assert answer.status_code in (200, 503), (tenth, path, answer.text)
                seen.add(answer.status_code)
        assert 503 in seen

    def test_that_takes_no_note_is_said(self, own: Tank, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("stillwell.store.connect.READER_PATIENCE_S", 0.2)
        monkeypatch.setattr("stillwell.store.connect.WRITER_PATIENCE_S", 0.2)
        visit = Visit(own)
        holds = sqlite3.connect(own.store)
        holds.execute("BEGIN IMMEDIATE")
        answer = visit.post(f"{HERE}/book", {"kind": "fed"})
        assert answer.status_code == 503
        assert "holding the store" in answer.text
        holds.close()

    def test_that_is_no_store_is_said(self, own: Tank) -> None:
        visit = Visit(own)
        own.store.write_bytes(b"not a database at all" * 500)
        for path in (HERE, f"{HERE}/book"):
            assert visit.get(path).status_code == 503

    def test_that_another_holds_for_writing_is_read_all_the_same(self, own: Tank) -> None:
        visit = Visit(own)
        holds = sqlite3.connect(own.store)
        holds.execute("BEGIN IMMEDIATE")
        assert visit.get(HERE).status_code == 200
        holds.close()

    def test_whose_access_file_is_spoilt_lets_nobody_in(self, own: Tank) -> None:
        visit = Visit(own)
        access_file(own.store).write_text(json.dumps({"devices": 5}), encoding="utf-8")
        answer = visit.get(HERE)
        assert answer.status_code == 503
        assert "set the passphrase anew" in answer.text


@pytest.mark.parametrize(
    ("days", "words"), [(1 / 3, r"\d\d:00"), (1, r"\d\d:00"), (30, r"\d\d \w{3}")]
)
def test_a_picture_has_room_for_the_times_beneath_it(days: float, words: str) -> None:
    end = round(days * 86_400_000)
    drawn = drawing([(at, 1.0) for at in range(0, end, end // 50)], 0, end, UTC)
    assert drawn is not None
    assert 2 <= len(drawn.hours) <= 5
    assert all(b - a > 80 for (a, _), (b, _) in pairwise(drawn.hours))
    assert all(re.fullmatch(words, word) for _, word in drawn.hours)


def test_one_network_of_ipv6_is_one_household() -> None:
    assert household("2001:db8::1") == household("2001:db8::ffff:1")
    assert household("2001:db8::1") != household("2001:db8:0:1::1")
    assert household("192.168.1.5") != household("192.168.1.6")
    assert household("::ffff:192.168.1.5") == household("192.168.1.5")
