"""Power cuts: a virtual machine with a busy daemon is ended at moments that chance chooses, again
and again on the same disk (ext4), and after each start everything that must hold is looked at. The
broker and those who listen to it are outside.

What is lost is the guest's memory and what its kernel had not handed to the disk; what a memory
card would still lose of its own cache is not (test_torn_pages.py). STILLWELL_CUTS says how many.
"""

from __future__ import annotations

import json
import os
import random
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from cut_tank import COMMIT_S, STATE, Keeper, plugged_in
from guest import taken_out
from in_words import said
from kill_campaign import Phone
from kill_story import Story
from stillwell.run.restarts import ALARM
from user_mode import UserMode

pytestmark = pytest.mark.machine
Saw = Callable[[str], None]
CUTS = int(os.environ.get("STILLWELL_CUTS", "30"))


class Cuts:
    """The campaign."""

    def __init__(self, guest: UserMode, phone: Phone, keeper: Keeper) -> None:
        self.guest, self.phone, self.keeper = guest, phone, keeper
        self.gone_s: list[float] = []
        self.wrong: list[str] = []
        self._chance = random.Random(20)
        self._cut_at: tuple[str, float] | None = None
        """The boot that was cut, and what its clock said then, in s."""
        self.made = 0
        self.began = time.monotonic()

    def one(self) -> None:
        self.guest.start()
        answered = set(self.keeper.answered)
        up_s, _, boot = self._said("cat /proc/uptime /proc/sys/kernel/random/boot_id").split()
        seen_s = time.monotonic()
        self._look(answered)
        if self.made and self._chance.random() < 0.2:
            time.sleep(self._chance.uniform(0, 10))  # while it starts
        else:
            heard = len(self.phone.notices)
            self.guest.wait_for(lambda: len(self.phone.notices) > heard)
            time.sleep(self._chance.choice((0.05, 1.0, 20.0)) * self._chance.random())
        self._cut_at = (boot, float(up_s) + time.monotonic() - seen_s)
        self.guest.cut_power()
        self.made += 1

    def _said(self, command: str) -> str:
        done = self.guest.run(command)
        assert done.status == 0, done.said
        return done.said.strip()

    def _look(self, answered: set[int]) -> None:
        if self._cut_at is None:
            return
        found = json.loads(self._said("runuser -u stillwell -- python3 -IS /srv/look.py"))
        if found["whole"] != "ok":
            self.wrong.append(f"integrity: {found['whole']}")
        lost = answered - set(found["entries"])
        if lost:
            self.wrong.append(f"noted, answered and gone: {sorted(lost)[:5]}")
        boot, cut_s = self._cut_at
        if boot in found["newest"]:
            self.gone_s.append(cut_s - found["newest"][boot] / 1000)

    def settle(self, folder: Path) -> Story:
        """Lets everything arrive, and returns what the store has."""
        self.guest.start()
        heard = len(self.phone.notices)
        self.guest.wait_for(lambda: len(self.phone.notices) >= heard + 2)
        self._look(set(self.keeper.answered))
        self._said("touch /run/enough; kill $(cat /run/daemon)")
        self._said("while [ -d /proc/$(cat /run/daemon) ]; do sleep 1; done; sync")
        self.guest.cut_power()
        return Story(taken_out(self.guest.image, STATE, folder) / "tank.db")


@pytest.fixture(scope="module")
def cuts(installed_root: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cuts]:
    """The campaign, before its first cut."""
    folder = tmp_path_factory.mktemp("cuts")
    with ExitStack() as open_here:
        guest, broker = open_here.enter_context(plugged_in(installed_root, folder))
        phone, keeper = Phone(broker.port), Keeper(broker.port)
        open_here.callback(phone.close)
        open_here.callback(keeper.close)
        yield Cuts(guest, phone, keeper)


@pytest.mark.parametrize("number", range(1, CUTS + 1))
def test_a_cut(cuts: Cuts, number: int) -> None:
    cuts.one()


def test_nothing_is_lost_or_doubled(cuts: Cuts, tmp_path: Path, saw: Saw) -> None:
    story = cuts.settle(tmp_path)
    wrong = list(cuts.wrong)

    def note(count: str, number: int, what: str) -> None:
        if number:
            wrong.append(f"{count}: {number}: {what}")

    blamed = [t for t in story.log if t.alarm == ALARM and "stillwell keeps" in said(t).title]
    note("blamed", len(blamed), "the daemon is said to have ended by itself")
    story.check_store(note)
    story.check_states(cuts.phone.states, note)
    twice = story.check_heard(cuts.phone.notices, note)
    note("unheard", len(story.unheard(cuts.phone.notices)), "kept notices that nobody heard")
    saw(
        f"{cuts.made} cuts in {time.monotonic() - cuts.began:.0f} s: {story.readings} readings, "
        f"{len(story.keys)} notices ({twice} heard twice, same key), "
        f"{len(cuts.keeper.answered)} notes answered; "
        f"of readings at most {max(cuts.gone_s):.1f} s gone"
    )
    assert wrong == []
    assert cuts.made == CUTS
    assert cuts.keeper.answered, "no note was answered: nothing of them has been looked at"
    assert max(cuts.gone_s) <= COMMIT_S + 5, "more than one commit's readings are gone"
