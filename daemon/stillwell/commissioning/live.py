"""Reads sensors that have been found, before any settings name them: by their own driver."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Sequence
from types import TracebackType
from typing import Any

from stillwell.foreign import Hand, is_a, plain, reason_of
from stillwell.ports import Candidate, Clock, Driver, DriverError, TellsTime
from stillwell.reading import Sample
from stillwell.settings.schema.machine import SourceKeys

READ_WITHIN_S = 15.0


class Live:
    """Sensors of one source that are read again and again. It is open inside ``with``."""

    def __init__(self, made: type[Any], sensors: Sequence[Candidate], clock: Clock) -> None:
        self._made = made
        self._sensors = {f"c{number}": each for number, each in enumerate(sensors)}
        self._clock = clock
        self._hand = Hand("looking")
        self._driver: Driver | None = None
        self.trouble = ""
        """Why the last read brought nothing; empty if it brought something."""

    def __enter__(self) -> Live:
        self.trouble = self._tried(self._open)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        driver = self._driver
        if driver is not None:
            with contextlib.suppress(Exception):
                self._hand.do(driver.close, READ_WITHIN_S)
        self._hand.end()

    def values(self) -> dict[str, float]:
        """Returns the present value of each sensor that answers, by the candidate's name."""
        values: dict[str, float] = {}
        driver = self._driver
        if driver is None:
            return values

        def read() -> None:
            for sample in driver.read():
                self._take(sample, values)

        self.trouble = self._tried(read)
        return values

    def _take(self, sample: object, values: dict[str, float]) -> None:
        if is_a(sample, Sample) and sample.failure is None and sample.value is not None:
            sensor = self._sensors.get(sample.channel)
            if sensor is not None:
                values[sensor.name] = float(sample.value)

    def _open(self) -> None:
        made = self._made(self._made.Settings.model_validate(_settings(self._sensors.items())))
        if isinstance(made, TellsTime):
            made.use_clock(self._clock)
        made.open()
        self._driver = made

    def _tried(self, call: Any) -> str:
        try:
            self._hand.do(call, READ_WITHIN_S)
        except DriverError as error:
            return f"{plain(error.what)} {plain(error.do)}".strip()
        except Exception as error:
            return f"It cannot be read: {reason_of(error)}."
        return ""


def _settings(sensors: Iterable[tuple[str, Candidate]]) -> dict[str, Any]:
    of_all = SourceKeys.model_fields.keys()
    own: dict[str, Any] = {}
    for _, sensor in sensors:
        own |= {key: value for key, value in sensor.source.items() if key not in of_all}
    return {**own, "channels": {name: dict(sensor.channel) for name, sensor in sensors}}
