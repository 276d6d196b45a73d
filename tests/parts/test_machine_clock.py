"""What the machine says of its boot and of its clock."""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from stillwell.acquire import clock
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store, StoreReader

DAY = 86_400_000
NOON = 1_767_268_800_000


class TestTheBoot:
    def test_has_the_kernels_name(self) -> None:
        assert clock.boot_id() == clock.BOOT_ID.read_text().strip()

    @pytest.mark.skipif(os.geteuid() != 0, reason="hides a file of the kernel: needs root")
    def test_has_a_name_of_its_own_where_the_kernel_shows_none(self) -> None:
        """In a mount namespace without /proc/sys, as a unit with ProcSubset=pid has it."""
        ask = "from stillwell.acquire.clock import boot_id; print(boot_id())"
        hidden = f"mount -t tmpfs none /proc/sys && exec {sys.executable} -c '{ask}'"
        said = [
            subprocess.run(
                ["unshare", "--mount", "sh", "-c", hidden], capture_output=True, text=True
            )
            for _ in range(2)
        ]
        if any(done.returncode for done in said):
            pytest.skip(f"nothing can be mounted here: {said[0].stderr[-200:]}")
        first, second = (done.stdout.strip() for done in said)
        assert first.startswith("unknown-")
        assert first != second

    def test_the_earlier_readings_of_boots_without_a_name_are_not_timed_anew(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(clock, "BOOT_ID", tmp_path / "hidden")
        path = tmp_path / "tank.db"

        def run(utc_ms: int, value: float) -> None:
            with Store.open(path) as store:
                boot = clock.boot_id()
                epoch = store.begin_epoch(boot, Moment(0, utc_ms, 0), False)
                moment = Moment(5_000, utc_ms + 5_000, epoch)
                store.put([Reading("water-a", moment, value, Flag.PASS, "", "")])
                store.commit()
                if value == 2.0:
                    store.rebase(boot, NOON)

        run(DAY, 1.0)
        run(2 * DAY, 2.0)
        with StoreReader.open(path) as reader:
            times = [reading.moment.utc_ms for reading in reader.all_readings()]
        assert times == [DAY + 5_000, NOON + 5_000]

    def test_neither_are_those_that_an_earlier_version_kept(self, tmp_path: Path) -> None:
        with Store.open(tmp_path / "tank.db") as store:
            for _ in range(2):
                store.begin_epoch("unknown", Moment(0, DAY, 0), False)
            assert store.rebase("unknown", NOON) == 0


class _Ntptimeval(ctypes.Structure):
    """struct ntptimeval of ntp_gettime(3)."""

    _fields_ = (
        ("seconds", ctypes.c_long),
        ("microseconds", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("rest", ctypes.c_byte * 128),
    )


class TestTrust:
    def test_hangs_on_the_largest_error_that_the_kernel_gives(self) -> None:
        """The kernel's own word, read in another way than the program reads it."""
        other = _Ntptimeval()
        assert ctypes.CDLL(None).ntp_gettime(ctypes.byref(other)) >= 0
        assert clock._kernel_says_synchronised() is (other.maxerror < 16_000_000)

    @pytest.mark.parametrize(
        ("state", "maxerror", "trusted"),
        [(0, 20_000, True), (5, 20_000, True), (5, 16_000_000, False), (-1, 0, False)],
        ids=["timesyncd", "chrony without rtcsync", "never set", "denied"],
    )
    def test_does_not_hang_on_the_flag_alone(
        self, monkeypatch: pytest.MonkeyPatch, state: int, maxerror: int, trusted: bool
    ) -> None:
        class Libc:
            """Stands in for the kernel's clock, which is the whole machine's."""

            @staticmethod
            def adjtimex(pointer: Any) -> int:
                ctypes.cast(pointer, ctypes.POINTER(clock._Timex)).contents.maxerror = maxerror
                return state

        monkeypatch.setattr(clock, "_libc", lambda: Libc)
        assert clock._kernel_says_synchronised() is trusted
