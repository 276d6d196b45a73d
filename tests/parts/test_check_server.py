"""`stillwell check` about a time-series server: asked whether we may write, without a point."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from command_line import call, json_lines, tank
from far_sides import VICTORIA, Receiver, Says, Victoria
from stillwell.cli.checks.point import Grade
from stillwell.cli.checks.sinks import as_the_daemon_says
from stillwell.supervise.verdict import VERDICT, Verdict

HISTORY = '[sink.history]\nkind = "influx"\nurl = "{url}"\n'


def checked(folder: Path, more: str) -> dict[str, Any]:
    [answer] = json_lines(call("check", "-c", tank(folder, more), "--json"))
    found = next(point for point in answer["points"] if point["name"] == "history")
    assert isinstance(found, dict)
    return found


class TestAServer:
    @pytest.mark.skipif(VICTORIA is None, reason="needs victoria-metrics (apt-get install)")
    def test_that_is_well_is_found_so_and_holds_nothing_of_it(
        self, tmp_path: Path, free_port: int
    ) -> None:
        server = Victoria(tmp_path / "victoria", free_port)
        server.start()
        try:
            assert checked(tmp_path, HISTORY.format(url=server.url))["grade"] == "well"
            assert not server.points("reading_value")
        finally:
            server.kill()

    @pytest.mark.parametrize("more", ["", 'protocol = "1"\ndatabase = "tank"\n'])
    def test_is_sent_a_comment_and_no_point(
        self, tmp_path: Path, server: Receiver, more: str
    ) -> None:
        # InfluxDB may call a request without a point a bad one: it has let us in, then.
        for status in (204, 400):
            server.answer = lambda asked, status=status: Says(status, {}, b"{}")  # type: ignore[misc]
            assert checked(tmp_path, HISTORY.format(url=server.url) + more)["grade"] == "well"
        assert all(asked.body.startswith(b"#") for asked in server.asked)
        assert all(b"\n" not in asked.body.strip() for asked in server.asked)

    @pytest.mark.parametrize(("status", "words"), [(401, "`token`"), (404, "org or bucket")])
    def test_that_does_not_let_us_write_says_what_to_fix(
        self, tmp_path: Path, server: Receiver, status: int, words: str
    ) -> None:
        server.answer = lambda asked: Says(status, {}, b"{}")
        found = checked(tmp_path, HISTORY.format(url=server.url))
        assert found["grade"] == "fix"
        assert words in found["what"]

    def test_that_is_not_there_is_to_fix(self, tmp_path: Path, free_port: int) -> None:
        found = checked(tmp_path, HISTORY.format(url=f"http://127.0.0.1:{free_port}"))
        assert found["grade"] == "fix"
        assert "Nothing listens" in found["what"]


class TestTheDaemonsWord:
    @pytest.mark.parametrize(
        ("verdict", "grade", "words"),
        [
            (None, Grade.NOTE, "says nothing"),
            (Verdict(True, "Nothing listens.", 0), Grade.FIX, "Nothing listens."),
            (Verdict(False, "Waits for the clock.", 0), Grade.WELL, "Waits for the clock."),
            (Verdict(False, "", 0), Grade.WELL, "takes what"),
        ],
    )
    def test_is_what_counts_while_it_runs(
        self, verdict: Verdict | None, grade: Grade, words: str
    ) -> None:
        point = as_the_daemon_says("history", None if verdict is None else VERDICT.text(verdict))
        assert point.grade is grade
        assert words in point.what
