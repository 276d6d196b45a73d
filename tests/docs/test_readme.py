"""The README is short, has its parts in their order, and shows what the program really prints; and
what the documents point to is there."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

import in_words
from command_line import ROOT, call
from stillwell.cli import called
from stillwell.store import StoreReader

README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCUMENTS = [
    *ROOT.glob("*.md"),
    *(
        path
        for folder in ("config", "daemon", "deploy", "drivers", "tests")
        for path in (ROOT / folder).rglob("*.md")
    ),
]
LONGEST = 1400
PARTS = [
    "What you see",
    "Cautions",
    "Try",
    "Install",
    "Set up",
    "On your phone",
    "Every day",
    "When it is silent",
    "Tests",
    "Links",
]
UNKNOWN_TO_KEEPERS = re.compile(
    r"\b(sinks?|cursors?|dead letters?|backfill|suppress\w*|latch\w*|differential|gross range"
    r"|transitions?)\b",
    re.IGNORECASE,
)


def part(name: str) -> str:
    return README.split(f"\n## {name}\n", 1)[1].split("\n## ", 1)[0]


def blocks(text: str) -> list[str]:
    """What stands between fences, without them."""
    return re.findall(r"(?ms)^```\w*\n(.*?)^```$", text)


def prose(text: str) -> str:
    """Without code, and without the addresses of links."""
    text = re.sub(r"(?ms)^```.*?^```$|^ {4}.*?$|`[^`]*`", "", text)
    return re.sub(r"\]\([^)]*\)", "]", text)


def anchors(path: Path) -> set[str]:
    """Of a document's headings, as they are made for links to them."""
    headings = re.findall(r"(?m)^#+ (.+)$", path.read_text(encoding="utf-8"))
    return {re.sub(r"[^\w\- ]", "", heading).lower().replace(" ", "-") for heading in headings}


def shape(text: str) -> str:
    """Without its figures."""
    return re.sub(r"\d+(\.\d+)?", "#", text)


class TestForm:
    def test_is_short(self) -> None:
        assert len(README.split()) <= LONGEST

    def test_opens_with_the_job_in_one_paragraph(self) -> None:
        heading, job, rest = README.split("\n\n", 2)
        assert heading == "# stillwell"
        assert job.startswith("stillwell watches a small saltwater tank")
        assert rest.startswith(f"## {PARTS[0]}\n")

    def test_has_its_parts_in_their_order(self) -> None:
        assert re.findall(r"(?m)^## (.+)$", README) == PARTS

    def test_has_the_phone_in_ten_lines(self) -> None:
        [block] = blocks(part("On your phone"))
        assert len(block.splitlines()) <= 10

    def test_has_six_commands_for_every_day(self) -> None:
        assert len(re.findall(r"(?m)^\| `stillwell ", part("Every day"))) == 6

    def test_has_no_words_that_keepers_do_not_know(self) -> None:
        assert UNKNOWN_TO_KEEPERS.findall(prose(README)) == []

    def test_has_the_command_that_runs_all_tests(self) -> None:
        assert re.findall(r"(?m)^ {4}(.+)$", part("Tests")) == ["./tests/run.sh"]
        assert os.access(ROOT / "tests/run.sh", os.X_OK)
        assert (ROOT / ".ci/run").read_text(encoding="utf-8").rstrip().endswith('/../tests/run.sh"')


class TestPointers:
    @pytest.mark.parametrize("path", DOCUMENTS, ids=lambda p: str(p.relative_to(ROOT)))
    def test_of_a_document_lead_somewhere(self, path: Path) -> None:
        for link in re.findall(r"\]\(([^)]+)\)", path.read_text(encoding="utf-8")):
            if link.startswith("https://"):
                continue
            place, _, anchor = link.partition("#")
            target = path.parent / place if place else path
            assert target.exists(), link
            assert not anchor or anchor in anchors(target), link

    def test_of_the_program_name_a_part_that_there_is(self) -> None:
        named = [
            heading
            for path in (ROOT / "daemon").rglob("*.py")
            for heading in re.findall(
                r"README says how, under \"([^\"]+)\"", path.read_text(encoding="utf-8")
            )
        ]
        assert named, "the program points to it somewhere"
        assert set(named) <= set(PARTS)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """With a tank whose heater died in the night after the evening that the README shows."""
    folder = tmp_path_factory.mktemp("shown")
    text = (ROOT / "config/reading-room-simulated.toml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^path = .*$", 'path = "tank.db"', text)
    # Read as often as the README's: how dead and turned down compare is close.
    (folder / "tank.toml").write_text(text)
    span = ("--from", "2026-11-25T08:00Z", "--until", "2026-11-29T02:00Z")
    fault = ("--fault", "not-heating", "--after", "88 h")
    done = call("simulate", "--config", folder / "tank.toml", *span, *fault)
    assert done.exit_code == 0, done.output
    return folder


class TestShown:
    def test_screen_is_what_the_program_prints(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("STILLWELL_CONFIG", str(folder / "tank.toml"))
        monkeypatch.setattr(called.call(), "program", "stillwell")
        command, watched, *lines = blocks(part("What you see"))[0].splitlines()
        assert command == "$ stillwell today"
        assert watched.startswith("Watched since "), "which no simulation can say"
        printed = call("today", "--at", "2026-11-28T18:09Z").stdout
        assert shape("\n".join(lines)) in shape(printed)

    def test_message_is_what_the_phone_gets(self, folder: Path) -> None:
        with StoreReader.open(folder / "tank.db") as reader:
            told = reader.notices()
        [notice] = [n for n in told if n.subject == "heater.not-heating" and n.kind == "raised"]
        head, text = blocks(part("What you see"))[1].rstrip().split("\n\n", 1)
        assert shape(head) == shape(in_words.told(notice).title)
        assert shape(text) == shape(in_words.told(notice).text)
