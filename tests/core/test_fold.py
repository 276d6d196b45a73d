"""Many looks, one sample."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from stillwell.acquire.fold import Fold
from stillwell.reading import Failure, Sample


class TestFold:
    def test_a_float_becomes_the_share_of_looks_closed(self) -> None:
        fold = Fold(frozenset({"float-low"}))
        for closed in (1, 0, 0, 1, 0):
            fold.add([Sample("float-low", float(closed))])
        (sample,) = fold.take()
        assert sample.value == 0.4
        assert sample.looks == 5
        assert sample.raw == "closed 2/5, 3 changes"

    def test_a_look_that_was_missed_is_not_counted(self) -> None:
        fold = Fold(frozenset({"float-low"}))
        fold.add([Sample("float-low", 1.0)])
        fold.add([Sample("float-low", None, Failure.GONE)])
        fold.add([Sample("float-low", 0.0)])
        (sample,) = fold.take()
        assert (sample.value, sample.looks) == (0.5, 2)

    def test_a_share_of_the_driver_s_own_weighs_by_its_looks(self) -> None:
        fold = Fold(frozenset({"float-low"}))
        fold.add([Sample("float-low", 1.0, looks=30), Sample("float-low", 0.0, looks=10)])
        (sample,) = fold.take()
        assert (sample.value, sample.looks) == (0.75, 40)

    def test_a_probe_gives_its_latest_good_value(self) -> None:
        fold = Fold(frozenset())
        fold.add([Sample("water-a", 25.0)])
        fold.add([Sample("water-a", 25.1)])
        fold.add([Sample("water-a", None, Failure.GONE)])
        assert fold.take() == [Sample("water-a", 25.1)]

    def test_without_a_good_look_the_failure_is_told(self) -> None:
        fold = Fold(frozenset({"float-low"}))
        fold.add([Sample("float-low", None, Failure.GONE, "line busy")])
        assert fold.take() == [Sample("float-low", None, Failure.GONE, "line busy")]

    def test_an_untrusted_value_is_not_averaged(self) -> None:
        fold = Fold(frozenset({"float-low"}))
        fold.add([Sample("float-low", 1.0), Sample("float-low", 0.0, Failure.GARBAGE)])
        assert fold.take()[0].value == 1.0

    def test_taking_begins_anew(self) -> None:
        fold = Fold(frozenset({"float-low"}))
        fold.add([Sample("float-low", 1.0)])
        fold.take()
        assert fold.take() == []

    @given(st.lists(st.sampled_from([0.0, 1.0]), min_size=1))
    def test_a_share_is_the_mean_of_the_looks(self, looks: list[float]) -> None:
        fold = Fold(frozenset({"f"}))
        for look in looks:
            fold.add([Sample("f", look)])
        assert fold.take()[0].value == sum(looks) / len(looks)
