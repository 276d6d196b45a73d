"""The shape of the tree: what may import what, and what may stand at the top."""

from __future__ import annotations

import ast
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar

ROOT = Path(__file__).parents[2]
DAEMON = ROOT / "daemon"
DRIVERS = ROOT / "drivers"

TIERS: tuple[frozenset[str], ...] = (
    frozenset({"reading", "shown", "barred", "foreign", "form", "web"}),
    frozenset({"notice", "request", "units"}),
    frozenset({"ports", "finding", "entry", "watching"}),
    frozenset({"quality", "water", "estimate", "alarm", "calendar"}),
    frozenset({"store", "acquire", "deliver", "testing"}),
    frozenset({"settings"}),
    frozenset({"review", "run", "journal", "commissioning"}),
    frozenset({"observe"}),
    frozenset({"keeper", "review_plan", "words"}),
    frozenset({"asked"}),
    frozenset({"pipeline"}),
    frozenset({"morning", "forward"}),
    frozenset({"supervise"}),
    frozenset({"wiring"}),
    frozenset({"cli"}),
    frozenset({"page"}),
)
"""From the ground up. A module may import its own part and any lower tier, never its own tier's
other parts and never a higher one. The settings know no part that measures or delivers; they stand
high only because everything below must do without them."""

SETTINGS_MAY = {"barred", "foreign", "reading", "notice", "ports", "units", "shown", "web"}
SAME_TIER_ALLOWED = {
    ("notice", "reading"),
    ("foreign", "shown"),
    ("estimate", "water"),  # what evaporates by physics
    ("estimate", "calendar"),  # which hours are the night
    ("estimate", "alarm"),  # estimators forecast in the words of alarm.forecast
}
THIRD_PARTY_SEAM = {"reading", "ports", "units"}


def part_of(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def nodes(path: Path) -> Iterator[ast.AST]:
    return ast.walk(ast.parse(path.read_text(encoding="utf-8")))


def our_imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in nodes(path):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return {name for name in found if name.split(".")[0] == "stillwell"}


def tier(part: str) -> int:
    return next(index for index, parts in enumerate(TIERS) if part in parts)


def daemon_modules() -> list[Path]:
    return sorted(
        p
        for p in (DAEMON / "stillwell").rglob("*.py")
        if p.name != "__init__.py" or p.parent != DAEMON / "stillwell"
    )


DRIVER_MODULES = sorted((DRIVERS / "stillwell_drivers").glob("*.py"))


def part_of_file(path: Path) -> str:
    return path.relative_to(DAEMON / "stillwell").parts[0].removesuffix(".py")


class TestImports:
    def test_go_one_way(self) -> None:
        for path in daemon_modules():
            own = part_of_file(path)
            for name in our_imports(path):
                other = part_of(name)
                if other in {"", own, "__version__"}:
                    continue
                if own == "settings":
                    assert other in SETTINGS_MAY, f"settings import {name}"
                down = tier(other) < tier(own) or (own, other) in SAME_TIER_ALLOWED
                assert down, f"{path.relative_to(DAEMON)} imports {name}"

    def test_drivers_know_only_the_seam(self) -> None:
        for path in DRIVER_MODULES:
            parts = {part_of(name) for name in our_imports(path)}
            assert parts <= THIRD_PARTY_SEAM, f"{path.name} imports {parts - THIRD_PARTY_SEAM}"

    def test_every_part_has_a_tier(self) -> None:
        for path in daemon_modules():
            tier(part_of_file(path))


class TestSize:
    MOST_LINES = 400

    def test_of_a_module_is_what_can_be_read_at_once(self) -> None:
        lines = {
            str(path.relative_to(DAEMON / "stillwell")): path.read_text("utf-8").count("\n")
            for path in daemon_modules()
        }
        longer = {name: count for name, count in lines.items() if count > self.MOST_LINES}
        assert longer == {}


class TestTheWiring:
    def test_holds_no_figure_of_its_own(self) -> None:
        """A figure stands with the part whose idea it is; here is only translated."""
        for path in (DAEMON / "stillwell" / "wiring").rglob("*.py"):
            for node in ast.parse(path.read_text(encoding="utf-8")).body:
                if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None:
                    inside = [n.value for n in ast.walk(node.value) if isinstance(n, ast.Constant)]
                    assert all(isinstance(value, str) for value in inside), (
                        f"{path.name}, line {node.lineno}: {ast.unparse(node)}"
                    )


class TestTheWayOfAReading:
    """The table in DEVELOPERS.md."""

    MOST_FILES = 20

    def test_names_files_that_are_there_in_their_order(self) -> None:
        text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
        rows = re.findall(r"^\| (\d+) \| `([^`]+)` \|", text, flags=re.MULTILINE)
        assert 10 < len(rows) <= self.MOST_FILES
        assert [int(number) for number, _ in rows] == list(range(1, len(rows) + 1))
        for _, name in rows:
            assert (ROOT / name).is_file(), name

    def test_names_beside_them_what_is_there(self) -> None:
        text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
        way = text[text.index("## The way of a reading") : text.index("## The shape")]
        for row in re.findall(r"^\| \d+ \| `([^`]+)` \| (.*) \|$", way, flags=re.MULTILINE):
            beside = (ROOT / row[0]).parent
            for name in re.findall(r"`([\w/]+(?:\.py|/\w+))`", row[1]):
                near = [beside / name, beside.parent / name, DAEMON / "stillwell" / name]
                assert any(path.exists() for path in near), f"{row[0]}: {name}"


class TestPatterns:
    """A pattern that a user writes can take for ever; one place knows which may be."""

    TAKES_A_USERS = "line_pattern.py"
    WORDS: ClassVar = {
        "compile",
        "search",
        "match",
        "fullmatch",
        "split",
        "findall",
        "finditer",
        "sub",
    }

    def test_are_written_out_where_they_are_used(self) -> None:
        for path in (*daemon_modules(), *DRIVER_MODULES):
            if path.name == self.TAKES_A_USERS:
                continue
            for node in nodes(path):
                if (
                    isinstance(node, ast.Call)
                    and isinstance(node.func, ast.Attribute)
                    and isinstance(node.func.value, ast.Name)
                    and node.func.value.id == "re"
                    and node.func.attr in self.WORDS
                ):
                    names = {n.id for n in ast.walk(node.args[0]) if isinstance(n, ast.Name)}
                    assert all(name.lstrip("_").isupper() for name in names), (
                        f"{path.name}, line {node.lineno}: the pattern is made of {names}"
                    )


class TestTopLevel:
    ALLOWED: ClassVar = {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "build.lock",
        "requirements.lock",
        "dev.lock",
        "daemon",
        "drivers",
        "config",
        "deploy",
        "tests",
    }

    def test_holds_nothing_else(self) -> None:
        listed = subprocess.run(
            ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
        ).stdout.split("\n")
        tops = {line.split("/")[0] for line in listed if line}
        strangers = {t for t in tops if t not in self.ALLOWED and not t.startswith(".")}
        assert not strangers, f"at the top level: {sorted(strangers)}"
