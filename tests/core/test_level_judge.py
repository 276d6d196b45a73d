"""The judge of a watch over the chamber: what counts as false, wrong, told, and inside."""

from __future__ import annotations

from dataclasses import replace

import pytest
from level_judge import Alarm, Answer, Facts, Look, Night, Witness, judge, tally

from tanks.households.story import Fault, Injected, Kind
from tanks.households.worlds import WEIR
from tanks.trace import DAY_S, HOUR_S, seeds

ONSET_S, END_S = 5 * DAY_S, 8 * DAY_S
RUN = WEIR.run(seeds("choose", 1)[0], 1.0, Kind.DOSED_GAUGE)


def known(fault: Fault = Fault.NONE, level_mm: float = -3.0, stock: float = 0.8) -> Facts:
    household = replace(RUN.household, lowest_safe_mm=-40.0, highest_safe_mm=20.0)
    return Facts(
        household,
        None if fault is Fault.NONE else Injected(fault, ONSET_S, END_S),
        replace(RUN.hidden, flaws=frozenset({"float-high"})),
        12.0,
        ONSET_S + HOUR_S,
        (
            Night(4 * DAY_S, 4 * DAY_S + 36_000, 200.0, 0.0, 0),
            Night(ONSET_S, END_S, 200.0, 90.0, 0),
        ),
        tuple(Look(at, level_mm, True, stock) for at in range(0, 12 * DAY_S, 300)),
        (20.0,) * 288,
        (),
    )


def alarm(name: str, raised_s: int, cleared_s: int | None = None) -> Alarm:
    return Alarm(name, "high", raised_s, cleared_s)


LEAK = alarm("level.leak", ONSET_S + 3 * HOUR_S)


def test_an_alarm_for_nothing_is_false_and_one_of_another_matter_is_beside() -> None:
    found = judge([LEAK, alarm("heater.too-weak", 9)], [], known())
    assert found.false == (LEAK,)
    assert [each.name for each in found.beside] == ["heater.too-weak"]
    assert tally([found]).false_a_year("level.leak") == pytest.approx(365.25 / 12)


def test_the_right_one_is_told_and_its_delay_runs_from_when_it_could_show() -> None:
    found = judge([LEAK], [], known(Fault.LEAK))
    assert (found.delay_s, found.false, found.wrong) == (2 * HOUR_S, (), ())


def test_another_name_is_wrong_and_after_the_right_one_a_new_name() -> None:
    moved = alarm("level.moved", ONSET_S + DAY_S)
    found = judge([LEAK, moved], [], known(Fault.LEAK))
    assert found.wrong == (moved,)
    assert found.renamed == ("level.moved",)


def test_one_that_clears_while_the_fault_is_there_is_taken_back() -> None:
    gone = alarm("level.leak", LEAK.raised_s, END_S - HOUR_S)
    assert judge([gone], [], known(Fault.LEAK)).taken_back == 1
    assert judge([LEAK], [], known(Fault.LEAK)).taken_back == 0


@pytest.mark.parametrize(
    ("name", "level_mm", "stock", "so"),
    [
        ("level.top-up", -38.0, 0.8, True),
        ("level.top-up", -28.0, 0.8, True),
        ("level.top-up", -10.0, 0.8, False),
        ("level.too-high", 18.0, 0.8, True),
        ("level.too-high", 5.0, 0.8, False),
        ("top-up.low", -3.0, 0.2, True),
        ("top-up.low", -3.0, 0.8, False),
        ("float-high.chattering", -3.0, 0.8, True),
        ("float-low.chattering", -3.0, 0.8, False),
    ],
)
def test_what_is_so_is_not_false(name: str, level_mm: float, stock: float, so: bool) -> None:
    found = judge([alarm(name, 3 * DAY_S)], [], known(Fault.NONE, level_mm, stock))
    assert (found.false == ()) is so


def test_an_empty_reservoir_may_be_told_ahead() -> None:
    found = judge([alarm("top-up.low", ONSET_S - DAY_S)], [], known(Fault.RESERVOIR_EMPTY))
    assert found.delay_s == -DAY_S - HOUR_S
    assert found.false == ()


def test_a_gauge_that_is_moved_back_has_been_moved() -> None:
    back = alarm("level.moved", END_S + 10 * HOUR_S)
    assert judge([back], [], known(Fault.GAUGE_MOVED)).false == ()


def test_a_night_counts_by_its_last_answer_and_what_leaked_is_lost() -> None:
    first = Answer(4 * DAY_S + 36_000, 100.0, 90.0, 110.0, "")
    last = Answer(4 * DAY_S + 36_000, 190.0, 170.0, 210.0, "")
    leaky = Answer(END_S, None, None, None, "No float changed.")
    found = judge([], [first, last, leaky], known(Fault.LEAK))
    calm, odd = tally([found]), tally([found], in_fault=True)
    assert (calm.nights, calm.refused, calm.covered, calm.rmse_ml) == (1, 0, 100.0, 10.0)
    assert (odd.nights, odd.refused, odd.covered) == (1, 1, None)
    assert odd.reasons == {"No float changed.": 1}
    assert found.nights[1].truth_ml == 290.0


def test_a_witness_finds_the_nights_of_a_run() -> None:
    run = WEIR.run(seeds("choose", 1)[0], 1.5, Kind.GAUGE)
    witness, rows = Witness(run), list(run)
    for row in rows:
        witness.see(row)
    (night,) = witness.facts().nights
    gone = [row.truth.evaporated_ml for row in rows]
    assert (night.start_s, night.end_s) == (22 * HOUR_S, 32 * HOUR_S)
    assert night.evaporated == pytest.approx(gone[32 * 60 - 1] - gone[22 * 60 - 1])
