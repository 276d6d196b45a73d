"""Float switches on the Pi's GPIO lines, through libgpiod 2.

In the configuration::

    [source.floats]
    driver = "gpio_float"
    every = "30 s"
    look = "1 s"
    [source.floats.channels]
    float-low = { line = "GPIO17", bias = "pull-up", closed = "low" }
    float-high = { line = "GPIO27" }

A reed float between the line and ground needs nothing else: the Pi's own pull-up holds the line
high while the float is open. A sample is 1.0 with the water at or above the float and 0.0 below it.

The level at the time of `read` is what counts. Edges seen in between are counted and given in the
raw text, as a hint that the float chatters; they decide nothing, because an edge can be lost on its
way. With `debounce` the driver reads the kernel's view of the level, which changes only after the
line was quiet for that long; ``"0 ms"`` reads the bare line.

A line that another program holds costs only its own channel: the others are read, and the line is
requested again at each read.

Sources: the documentation of libgpiod 2 (LineSettings, LineRequest, EdgeEvent); Linux
Documentation/userspace-api/gpio/gpio-v2-get-line-ioctl.rst.
"""

from __future__ import annotations

import errno
import glob
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING, Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from stillwell.ports import Candidate, DriverError
from stillwell.reading import Failure, Sample
from stillwell.units import Seconds

if TYPE_CHECKING:
    import gpiod

_CHIPS = "/dev/gpiochip*"
_HEADER = "pinctrl-"
"""The chip of a Pi's 40-pin header is named pinctrl-bcm2835, pinctrl-bcm2711 or pinctrl-rp1; its
number under /dev depends on the model and the kernel."""
_FREE = {
    5: 29, 6: 31, 12: 32, 13: 33, 16: 36, 17: 11, 18: 12, 19: 35, 20: 38, 21: 40, 22: 15, 23: 16,
    24: 18, 25: 22, 26: 37, 27: 13,
}  # fmt: skip
"""The pin of each GPIO of the 40-pin header that has no usual second work: not I2C, SPI, the serial
port, 1-Wire, the boards' own memory (Raspberry Pi documentation, "GPIO and the 40-pin header")."""
_CONSUMER = "stillwell"
_LONGEST_RAW = 80
_EVENTS_AT_ONCE = 64
_DRAINS = 64


class Line(BaseModel):
    """Where a channel finds its float, and how it is wired."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    line: int | str
    """The GPIO number as in 17, or the line's name as in "GPIO17"; not the pin's place on the
    header."""
    bias: Literal["pull-up", "pull-down", "none"] = "pull-up"
    """The Pi's own resistor on the line; "none" where there is one outside."""
    closed: Literal["low", "high"] = "low"
    """The level of the line while the switch is closed: low where it goes to ground."""
    wet: Literal["closed", "open"] = "closed"
    """Whether the switch is closed or open with the water at or above it."""
    debounce: Seconds = 0.02
    """How long the line must be quiet before the kernel takes a new level for true."""

    @field_validator("line")
    @classmethod
    def _is_a_line(cls, line: int | str) -> int | str:
        if isinstance(line, str) and line.strip().isdecimal():
            line = int(line)
        if isinstance(line, int):
            if not 0 <= line <= 1023:
                raise ValueError(f"There is no GPIO line {line}. Write its number, as in 17.")
            return line
        if not line.strip():
            raise ValueError('The line has no name. Write "GPIO17" or 17.')
        return line.strip()

    @field_validator("debounce")
    @classmethod
    def _is_short(cls, seconds: float) -> float:
        if seconds > 5:
            raise ValueError(
                "A float is debounced in milliseconds; at most 5 s. "
                "Use the alarm's on_delay for waves."
            )
        return seconds

    @model_validator(mode="after")
    def _open_and_closed_differ(self) -> Line:
        if (self.bias, self.closed) in (("pull-up", "high"), ("pull-down", "low")):
            raise ValueError(
                f'With bias = "{self.bias}" an open switch already reads {self.closed}, so '
                f'closed = "{self.closed}" could never be told from it. Swap one of the two; for a '
                'float that opens as the water rises write wet = "open".'
            )
        return self


class GpioFloatSettings(BaseModel):
    """What may stand below a source with ``driver = "gpio_float"``."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    channels: dict[str, Line] = Field(min_length=1)
    chip: str = "header"
    """"header" finds the chip of the 40-pin header by itself; or a path as in /dev/gpiochip0."""

    @field_validator("chip")
    @classmethod
    def _is_a_chip(cls, chip: str) -> str:
        if chip != "header" and not chip.startswith("/dev/"):
            raise ValueError(
                f'"{chip}" is no chip. Write "header" or a path as in "/dev/gpiochip0".'
            )
        return chip

    @model_validator(mode="after")
    def _no_line_twice(self) -> GpioFloatSettings:
        seen: dict[str, str] = {}
        for channel, where in self.channels.items():
            name = f"GPIO{where.line}" if isinstance(where.line, int) else where.line
            other = seen.setdefault(name, channel)
            if other != channel:
                raise ValueError(
                    f"Channels {other} and {channel} have the same line {where.line}. "
                    "Give each float a line of its own."
                )
        return self


@dataclass(slots=True)
class _Held:
    """Lines that were requested together, and what has been seen of each."""

    request: gpiod.LineRequest
    offsets: dict[str, int]
    """The line offset of each channel."""
    last_edge: dict[int, int] = field(default_factory=dict)
    """The number of the last edge seen, by line offset. The kernel numbers the edges of a line from
    1, including those for which its buffer had no room."""


class GpioFloat:
    """Reads float switches; see the module's text."""

    Settings: ClassVar[type[BaseModel]] = GpioFloatSettings

    def __init__(self, settings: GpioFloatSettings) -> None:
        self._settings = settings
        self._chip: gpiod.Chip | None = None
        self._held: list[_Held] = []
        self._offsets: dict[str, int] = {}

    @classmethod
    def bus(cls, settings: GpioFloatSettings) -> str:
        """Returns ``gpio:header`` or ``gpio:/dev/gpiochip0``."""
        return f"gpio:{settings.chip}"

    @classmethod
    def find(cls) -> Iterator[Candidate]:
        """Yields the header's free lines that are inputs; see `FindsSensors`. Reading them switches
        on their pull-up, and drives nothing."""
        chip = cls._find_chip("header")
        try:
            from gpiod.line import Direction

            for number, pin in _FREE.items():
                info = chip.get_line_info(number)
                if info.used or info.direction is not Direction.INPUT:
                    continue
                name = f"GPIO{number}"
                at = {"line": name if info.name == name else number}
                what, source = f"{name} (pin {pin})", {"look": "1 s"}
                other = {**at, "wet": "open"}
                yield Candidate(name, what, "float", source, at, other, sure=False)
        finally:
            chip.close()

    def open(self) -> None:
        """Requests every line that is free; raises `DriverError` if none is."""
        self.close()
        try:
            self._chip = self._find_chip(self._settings.chip)
            self._offsets = {
                channel: self._offset(self._chip, channel, where)
                for channel, where in self._settings.channels.items()
            }
            free = [channel for channel in self._offsets if not self._holder(channel)]
            if not free:
                channel = next(iter(self._offsets))
                raise self._busy(channel, self._holder(channel))
            self._held.append(self._take(free))
        except DriverError:
            self.close()
            raise

    def read(self) -> Iterable[Sample]:
        """Returns the present level of every float; see `Driver.read`."""
        if self._chip is None:
            raise DriverError("The GPIO lines are not open.", "Open them before reading.")
        samples: list[Sample] = []
        for channel in self._settings.channels:
            if any(channel in held.offsets for held in self._held):
                continue
            holder = self._holder(channel)
            if holder:
                samples.append(
                    Sample(channel, None, Failure.DRIVER, _shorten(f"line held by {holder}"))
                )
                continue
            try:
                self._held.append(self._take([channel]))
            except DriverError as error:
                samples.append(Sample(channel, None, Failure.DRIVER, _shorten(error.what)))
        for held in self._held:
            samples.extend(self._look(held))
        return samples

    def close(self) -> None:
        """Gives the lines back."""
        held, self._held = self._held, []
        chip, self._chip = self._chip, None
        self._offsets = {}
        for thing in [*(one.request.release for one in held), *([chip.close] if chip else [])]:
            try:
                thing()
            except Exception:  # the line is given back when the process ends, at the latest
                continue

    @classmethod
    def _find_chip(cls, wanted: str) -> gpiod.Chip:
        try:
            import gpiod
        except ImportError as error:
            raise DriverError(
                "The Python package gpiod is missing, so no GPIO line can be read.",
                'Install it: "pip install gpiod" into the environment of stillwell.',
            ) from error
        if wanted != "header":
            return cls._open_chip(gpiod, wanted)
        paths = sorted(glob.glob(_CHIPS))
        refused: DriverError | None = None
        for path in paths:
            try:
                chip = cls._open_chip(gpiod, path)
            except DriverError as error:
                refused = error
                continue
            if chip.get_info().label.startswith(_HEADER):
                return chip
            chip.close()
        if refused is not None:
            raise refused
        raise DriverError(
            f"No GPIO chip of a 40-pin header was found among {', '.join(paths) or _CHIPS}.",
            'Is this a Raspberry Pi? Else name the chip, as in chip = "/dev/gpiochip0"; '
            '"gpiodetect" lists them.',
        )

    @staticmethod
    def _open_chip(package: Any, path: str) -> gpiod.Chip:
        try:
            chip: gpiod.Chip = package.Chip(path)
        except PermissionError as error:
            raise DriverError(
                f"{path} may not be opened by this user.",
                'The service is in the group gpio: look with "ls -l" whether the chip is, too. '
                "For a command of your own: sudo adduser $USER gpio, then log in again.",
            ) from error
        except OSError as error:
            raise DriverError(
                f"The GPIO chip {path} cannot be opened ({error.strerror or error}).",
                'Look with "gpiodetect" which chips there are, and correct `chip`.',
            ) from error
        return chip

    def _offset(self, chip: gpiod.Chip, channel: str, where: Line) -> int:
        try:
            return int(chip.line_offset_from_id(where.line))
        except (OSError, ValueError) as error:
            raise DriverError(
                f"{self._name(channel)} does not exist on {self._settings.chip}.",
                'Look with "gpioinfo" how the lines are called, and correct `line`.',
            ) from error

    def _holder(self, channel: str) -> str:
        """Returns who else holds the line; empty when it is free."""
        assert self._chip is not None
        try:
            info = self._chip.get_line_info(self._offsets[channel])
        except OSError as error:
            raise DriverError(
                f"{self._name(channel)} cannot be asked about ({error.strerror or error}).",
                "Look whether the GPIO chip is still there.",
            ) from error
        if not info.used:
            return ""
        # "?" is the kernel's word for who gave no name (gpiod_request_commit in gpiolib.c).
        nameless = "another program, which gave no name"
        return nameless if info.consumer == "?" else info.consumer or "the kernel"

    def _name(self, channel: str) -> str:
        line = self._settings.channels[channel].line
        return f"Line {f'GPIO{line}' if isinstance(line, int) else line} ({channel})"

    def _busy(self, channel: str, holder: str) -> DriverError:
        return DriverError(
            f"{self._name(channel)} is in use by {holder or 'another program'}.",
            'Stop that program, or remove its overlay from config.txt; "gpioinfo" shows who holds '
            "which line. Or move the float to a free line.",
        )

    def _take(self, channels: list[str]) -> _Held:
        """Requests these lines together."""
        from gpiod.line import Bias, Direction, Edge
        from gpiod.line_settings import LineSettings

        assert self._chip is not None
        bias = {"pull-up": Bias.PULL_UP, "pull-down": Bias.PULL_DOWN, "none": Bias.DISABLED}
        wanted: dict[Iterable[int | str] | int | str, LineSettings | None] = {
            self._offsets[channel]: LineSettings(
                direction=Direction.INPUT,
                edge_detection=Edge.BOTH,
                bias=bias[where.bias],
                active_low=where.closed == "low",
                debounce_period=timedelta(seconds=where.debounce),
            )
            for channel, where in ((name, self._settings.channels[name]) for name in channels)
        }
        names = ", ".join(self._name(channel) for channel in channels)
        try:
            request = self._chip.request_lines(config=wanted, consumer=_CONSUMER)
        except PermissionError as error:
            raise DriverError(
                f"{names} may not be used by this user.",
                "Add the user to the group gpio, and start the service again.",
            ) from error
        except OSError as error:
            if error.errno == errno.EBUSY:
                raise self._busy(channels[0], "") from error
            raise DriverError(
                f"{names} cannot be set up ({error.strerror or error}).",
                "Look whether the chip has pull resistors and debouncing; else write "
                'bias = "none", debounce = "0 ms".',
            ) from error
        except ValueError as error:
            raise DriverError(
                f"{names} cannot be taken together ({error}).",
                "Give each float a line of its own.",
            ) from error
        return _Held(request, {channel: self._offsets[channel] for channel in channels})

    def _look(self, held: _Held) -> Iterable[Sample]:
        try:
            edges = self._drain(held)
            levels = held.request.get_values(list(held.offsets.values()))
        except OSError as error:
            names = ", ".join(self._name(channel) for channel in held.offsets)
            raise DriverError(
                f"{names} cannot be read ({error.strerror or error}).",
                "Look whether the GPIO chip is still there; the lines are taken again by "
                "themselves.",
            ) from error
        for (channel, offset), level in zip(held.offsets.items(), levels, strict=True):
            where = self._settings.channels[channel]
            closed = bool(level)
            high = closed == (where.closed == "high")
            wet = closed == (where.wet == "closed")
            raw = f"level={'high' if high else 'low'} edges={edges.get(offset, 0)}"
            yield Sample(channel, 1.0 if wet else 0.0, None, raw)

    @staticmethod
    def _drain(held: _Held) -> dict[int, int]:
        """Returns how many edges each line has seen since the last call. Takes what is there
        without waiting, and only a bounded number, so that a chattering float cannot hold up the
        bus."""
        newest = dict(held.last_edge)
        for _ in range(_DRAINS):
            if not held.request.wait_edge_events(0):
                break
            for event in held.request.read_edge_events(_EVENTS_AT_ONCE):
                newest[event.line_offset] = event.line_seqno
        counts = {
            offset: number - held.last_edge.get(offset, 0) for offset, number in newest.items()
        }
        held.last_edge = newest
        return counts


def _shorten(text: str) -> str:
    return text if len(text) <= _LONGEST_RAW else text[: _LONGEST_RAW - 1] + "…"
