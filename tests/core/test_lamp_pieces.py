"""Pieces of a trace for the lamp: one way, one light, two hours at most."""

from __future__ import annotations

import math
import random
from itertools import pairwise

import pytest

from stillwell.estimate.thermal.lamp_pieces import PIECE_S, SHORTEST_S, TIP_S, LampPieces, Stretch

HOUR = 3600.0
EDGE_S = 5 * HOUR
SIGMA = 0.008


def edge(at_s: float) -> float:
    """The lamp switches every five hours."""
    return (math.floor(at_s / EDGE_S) + 1) * EDGE_S


def course(at_s: float) -> float:
    """Falls for nine hours, rises for one; the lamp halves what it loses in every other stretch."""
    if at_s <= 9 * HOUR:
        dark = min(at_s, 5 * HOUR) / HOUR
        lit = max(0.0, at_s / HOUR - 5)
        return 25.5 - 0.06 * dark - 0.03 * lit
    if at_s <= 10 * HOUR:
        return course(9 * HOUR) + 0.42 * (at_s / HOUR - 9)
    return course(at_s - 10 * HOUR)


def cut(hours: float) -> list[Stretch]:
    rng, pieces = random.Random(1), LampPieces(edge)
    out = []
    for minute in range(round(hours * 60)):
        at_s = 60.0 * minute
        out += pieces.add((at_s, course(at_s) + rng.gauss(0, SIGMA)), SIGMA)
    return out


class TestPieces:
    def test_cross_no_switch_of_the_lamp_and_no_turn_and_are_short(self) -> None:
        found = cut(60)
        assert len(found) > 20
        for piece in found:
            start_s, end_s = piece.start_s, piece.end_s
            assert SHORTEST_S <= end_s - start_s <= PIECE_S
            assert edge(start_s) >= end_s
            for turn_s in (k * HOUR for tens in range(7) for k in (10 * tens, 10 * tens + 9)):
                assert not start_s < turn_s < end_s

    def test_come_once_each_and_while_the_half_cycle_goes_on(self) -> None:
        found = cut(38)
        assert all(a.end_s <= b.start_s for a, b in pairwise(found))
        assert found[-1].end_s > 34 * HOUR - TIP_S

    def test_have_the_slope_of_their_light(self) -> None:
        for piece in cut(60):
            within, line = piece.start_s % (10 * HOUR) / HOUR, piece.line
            slope = 0.42 if piece.rising else -0.06 if within < 5 else -0.03
            assert line.slope * HOUR == pytest.approx(slope, abs=5 * line.slope_error * HOUR)
            assert piece.rising is (within > 8.9)

    def test_a_cut_forgets_the_one_that_goes_on(self) -> None:
        pieces = LampPieces(edge)
        for minute in range(30 * 60):
            pieces.add((60.0 * minute, course(60.0 * minute)), SIGMA)
        pieces.restart()
        for minute in range(30 * 60, 31 * 60):
            assert pieces.add((60.0 * minute, course(60.0 * minute)), SIGMA) == []
