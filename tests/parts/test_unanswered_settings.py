"""The times of the repeats, from the configuration to the plan."""

from __future__ import annotations

from pathlib import Path

import pytest

from command_line import tank
from stillwell.alarm.annunciate.escalation import EscalationPlan
from stillwell.settings import ConfigError, load
from stillwell.wiring.plans.watch import escalation_plan

TURN = '[sink.caretaker]\nkind = "push"\nurl = "json://localhost/hook"\nturn = 3\n'


class TestUnanswered:
    def test_without_a_word_the_plan_is_the_usual_one(self, tmp_path: Path) -> None:
        assert escalation_plan(load(tank(tmp_path), environ={})) == EscalationPlan()

    def test_what_is_written_is_what_is_done(self, tmp_path: Path) -> None:
        more = (
            '[unanswered]\nrepeat_after = ["5 min", "20 min"]\npass_on_after = "45 min"\n'
            'then_every = "0 s"\n'
        )
        plan = escalation_plan(load(tank(tmp_path, more + TURN), environ={}))
        assert plan == EscalationPlan((300.0, 1200.0), 2700.0, turns=3, then_every_s=None)

    @pytest.mark.parametrize(
        "times", ['["1 h", "10 min"]', '["10 min", "10 min"]', "[]", '["0 s"]']
    )
    def test_times_that_do_not_grow_are_told_with_their_key(
        self, tmp_path: Path, times: str
    ) -> None:
        with pytest.raises(ConfigError, match=r"unanswered\.repeat_after"):
            load(tank(tmp_path, f"[unanswered]\nrepeat_after = {times}\n"), environ={})
