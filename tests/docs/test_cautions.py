"""Wherever a text sends a hand into the tank or near the plugs, the caution stands in it.

Walks the text of every function and every constant of the daemon: what is written there, with the
constants that are named there. A text with one of the deeds below needs a caution beside it. What
has a deed's words and sends no hand anywhere is listed, with the reason.

And no alarm orders water out of the tank or into it before it has said what to look at: under the
other cause that is still open the same deed does harm.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DAEMON = ROOT / "daemon" / "stillwell"

_PARTS = "float|probe|pump|gauge|intake|impeller|heater|sensor|filter"
DEEDS = re.compile(
    r"\breach(es)? (in|into|for)\b"
    r"|\bhand goes\b"
    r"|\bturn (the|its) dial\b|\bdial (up|down)\b"
    r"|\bswap\b|\bwater out\b|\bout and as much\b"
    r"|\bits plug\b|\bplugged in\b|\bplug in\b|\btimer\b"
    rf"|\b(clean|lift|free|wipe|shake|tap|press|straighten|hang|pull|push|put) (the|its) ({_PARTS})"
    r"|\bunder water\b|\bput in a spare\b"
    r"|\bsplashes\b|\bwet places\b"
    r"|\bwith a pump\b",
    re.IGNORECASE,
)
CAUTION = re.compile(
    r"unplug[^.]*dry hands|dry hands[^.]*unplug|dry hands on (its )?plug|unplug [^.]*before",
    re.IGNORECASE,
)

NO_HAND = {
    "cli/check.py TITLE": "the name of a section about drivers of others",
    "commissioning/sensors.py _TOO_FULL": "`words/sensors.py` says it after its look, with caution",
    "keeper/reminders.py _lamp": "its text is that of photoperiod.words, which is looked at there",
}

ORDERS = re.compile(
    r"\btake\b(?! no\b)[^.]*\bwater out\b|\bpour\b[^.]*\bfresh water\b"
    r"|\bchange 10 to\b|\bof tank water for\b",
    re.IGNORECASE,
)
LOOKS = re.compile(r"\bFirst see\b|\bTest again\b|\bMeasure it before\b")
SPEAK_OF_ALARMS = re.compile(r"words/")
SAID_AFTER_A_LOOK = {
    "words/salt.py mended": "a part of the sentence of `_do`, which begins with measuring",
}


def literal(node: ast.AST) -> str:
    return " ".join(
        n.value for n in ast.walk(node) if isinstance(n, ast.Constant) and isinstance(n.value, str)
    )


def without_docstring(body: list[ast.stmt]) -> list[ast.stmt]:
    first = body[0]
    said = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant)
    return body[1:] if said else body


def constants(trees: dict[str, ast.Module]) -> dict[str, str]:
    """What each constant of any module says, by its name."""
    found: dict[str, str] = {}
    for tree in trees.values():
        for name, node in assigned(tree):
            found[name] = f"{found.get(name, '')} {literal(node)}"
    return found


def assigned(tree: ast.Module) -> Iterator[tuple[str, ast.AST]]:
    for node in tree.body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            yield node.targets[0].id, node.value
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.value:
            yield node.target.id, node.value


def pieces(tree: ast.Module) -> Iterator[tuple[str, list[ast.AST]]]:
    """Functions and constants, by name."""
    for name, node in assigned(tree):
        yield name, [node]
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            yield node.name, list(without_docstring(node.body))


def names_in(nodes: list[ast.AST]) -> set[str]:
    return {
        n.id if isinstance(n, ast.Name) else n.attr
        for node in nodes
        for n in ast.walk(node)
        if isinstance(n, ast.Name | ast.Attribute)
    }


Piece = tuple[str, str, set[str]]
"""Name, what is written in it, and the names used in it."""


def without_caution(trees: dict[str, ast.Module]) -> list[str]:
    """Where a deed has no caution beside it: neither in the same piece nor in each of those of its
    module that use it."""
    known = constants(trees)
    out = []
    for path, tree in trees.items():
        said = [(name, " ".join(map(literal, n)), names_in(n)) for name, n in pieces(tree)]
        out += [
            f"{path} {piece[0]}"
            for piece in said
            if DEEDS.search(piece[1]) and not covered(piece, said, known, frozenset())
        ]
    return out


def covered(piece: Piece, said: list[Piece], known: dict[str, str], seen: frozenset[str]) -> bool:
    name, text, named = piece
    if CAUTION.search(" ".join([text, *(known[one] for one in named & known.keys())])):
        return True
    users = [one for one in said if name in one[2] and one[0] not in seen | {name}]
    return bool(users) and all(covered(user, said, known, seen | {name}) for user in users)


@pytest.fixture(scope="module")
def trees() -> dict[str, ast.Module]:
    return {
        str(path.relative_to(DAEMON)): ast.parse(path.read_text(encoding="utf-8"))
        for path in sorted(DAEMON.rglob("*.py"))
    }


class TestCautions:
    def test_stand_beside_every_deed(self, trees: dict[str, ast.Module]) -> None:
        assert sorted(without_caution(trees)) == sorted(NO_HAND)

    def test_are_asked_of_many_texts(self, trees: dict[str, ast.Module]) -> None:
        deeds = [
            name
            for tree in trees.values()
            for name, nodes in pieces(tree)
            if DEEDS.search(" ".join(literal(node) for node in nodes))
        ]
        assert len(deeds) > 20

    @pytest.mark.parametrize(
        ("code", "lacking"),
        [
            ('def a():\n    return "Turn the dial up."', ["x.py a"]),
            (
                'def a():\n    return "Turn the dial up. " + CARE\nCARE = "Dry hands; unplug it."',
                [],
            ),
            ('def a():\n    "Turn the dial up."\n    return "Wait."', []),
            ('SAYS = "Clean the float."', ["x.py SAYS"]),
            ('SAYS = "Clean the float."\ndef a():\n    return SAYS + " Unplug it, dry hands."', []),
            ('SAYS = "Clean the float."\ndef a():\n    return SAYS', ["x.py SAYS"]),
            ('def a():\n    return f"Swap {1} L. Unplug the pump, with dry hands, first."', []),
        ],
    )
    def test_that_are_missing_are_found(self, code: str, lacking: list[str]) -> None:
        assert without_caution({"x.py": ast.parse(code)}) == lacking

    def test_of_the_readme_name_plug_hands_loop_and_breaker(self) -> None:
        text = (ROOT / "README.md").read_text(encoding="utf-8")
        section = text.split("## Cautions", 1)[1].split("\n## ", 1)[0].casefold()
        for word in (
            "unplug",
            "dry hands",
            "drip loop",
            "rcd (gfci)",
            "low voltage only",
            "local code",
            "licensed electrician",
        ):
            assert word in section


class TestOrders:
    def test_come_after_a_look(self, trees: dict[str, ast.Module]) -> None:
        known = constants(trees)
        found, hasty = 0, []
        for path, tree in trees.items():
            if not SPEAK_OF_ALARMS.match(path):
                continue
            for name, nodes in pieces(tree):
                text = " ".join(map(literal, nodes))
                if ORDERS.search(text):
                    found += 1
                    said = [text, *(known[one] for one in names_in(nodes) & known.keys())]
                    hasty += [] if LOOKS.search(" ".join(said)) else [f"{path} {name}"]
        assert sorted(hasty) == sorted(SAID_AFTER_A_LOOK)
        assert found >= 5
