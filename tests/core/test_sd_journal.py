"""Lines for systemd's journal."""

from __future__ import annotations

import logging
import os
import sys
from pathlib import Path

import pytest

from stillwell.supervise.sd_journal import JournalLines, leads_to_journal


def line(level: int, text: str, *, raised: bool = False) -> str:
    record = logging.LogRecord("stillwell", level, __file__, 1, text, None, None)
    if raised:
        try:
            raise ValueError("a\nb")
        except ValueError:
            record.exc_info = sys.exc_info()
    return JournalLines().format(record)


class TestPriority:
    @pytest.mark.parametrize(
        ("level", "priority"),
        [
            (logging.CRITICAL, 2),
            (logging.ERROR, 3),
            (logging.WARNING, 4),
            (logging.INFO, 6),
            (logging.DEBUG, 7),
        ],
    )
    def test_stands_before_the_message(self, level: int, priority: int) -> None:
        assert line(level, "The store is full.") == f"<{priority}>The store is full."

    def test_stands_on_every_line_of_a_traceback(self) -> None:
        lines = line(logging.ERROR, "the driver failed", raised=True).splitlines()
        assert len(lines) > 3
        assert {text[:3] for text in lines} == {"<3>"}

    def test_stands_before_a_message_without_a_word(self) -> None:
        assert line(logging.INFO, "") == "<6>"


class TestTheJournal:
    def test_is_known_by_device_and_inode(self, tmp_path: Path) -> None:
        with (tmp_path / "a").open("w") as ours, (tmp_path / "b").open("w") as other:
            found = os.fstat(ours.fileno())
            environ = {"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"}
            assert leads_to_journal(ours, environ)
            assert not leads_to_journal(other, environ)
            assert not leads_to_journal(ours, {})
