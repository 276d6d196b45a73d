"""The catalogue of faults, each through the whole pipeline: see `faults.toml` beside this file.

By default every fault that shows within hours, on one seed; with --long all of them, on twenty.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from fault_run import Line, Lives, catalogue

HERE = Path(__file__).parent
LINES = catalogue()
ON_THE_TANK = [line for line in LINES if not line.told_by]
SEED = 2
SEEDS = tuple(range(1, 21))


@pytest.fixture(scope="module")
def lives(tmp_path_factory: pytest.TempPathFactory) -> Lives:
    """Tanks that have been learned, shared by all the faults."""
    return Lives(tmp_path_factory.mktemp("lives"))


def _parameters(lines: list[Line], seeds: tuple[int, ...]) -> Iterator[object]:
    for line in lines:
        for seed in seeds:
            yield pytest.param(line, seed, id=f"{line.name}-{seed}")


def check(lives: Lives, line: Line, seed: int) -> None:
    outcome = lives.run(line, seed)
    sounded = "\n".join(
        f"{at_s / 60:8.0f} min  {t.alarm} ({t.priority}): {t.message.what}"
        for at_s, t in outcome.sounded
    )
    outcome.store.unlink()
    assert not outcome.cries(), f"{outcome.cries()}; what sounded:\n{sounded}"
    if line.open and outcome.misses():
        pytest.xfail(line.open)
    assert not outcome.misses(), f"{outcome.misses()}; what sounded:\n{sounded}"


class TestCatalogue:
    def test_holds_at_least_two_dozen_faults_of_water_sensors_and_machine(self) -> None:
        assert len({fault["name"] for line in LINES for fault in line.inject}) >= 24
        assert sum(bool(line.told_by) for line in LINES) >= 5

    def test_says_of_each_fault_what_must_not_be_heard(self) -> None:
        assert [line.name for line in ON_THE_TANK if not line.never] == []

    @pytest.mark.parametrize("line", [line for line in LINES if line.told_by], ids=lambda x: x.name)
    def test_names_a_test_that_exists_for_what_befalls_the_machine(self, line: Line) -> None:
        file, of, name = line.told_by.split("::")
        tree = ast.parse((HERE / file).read_text(encoding="utf-8"))
        classes = {node.name: node for node in tree.body if isinstance(node, ast.ClassDef)}
        assert name in {node.name for node in classes[of].body if isinstance(node, ast.FunctionDef)}


class TestEachFault:
    @pytest.mark.parametrize(
        ("line", "seed"), _parameters([x for x in ON_THE_TANK if not x.slow], (SEED,))
    )
    def test_is_told_in_time_and_nothing_else_is_cried(
        self, lives: Lives, line: Line, seed: int
    ) -> None:
        check(lives, line, seed)

    @pytest.mark.long
    @pytest.mark.parametrize(("line", "seed"), _parameters(ON_THE_TANK, SEEDS))
    def test_is_told_on_every_tank(self, lives: Lives, line: Line, seed: int) -> None:
        check(lives, line, seed)
