"""What is said of a probe that is not believed."""

from __future__ import annotations

from collections.abc import Sequence

from stillwell.alarm.wording import PROBE, Wording
from stillwell.estimate.probes.doubt import Doubted, Kind
from stillwell.notice import Message
from stillwell.reading import Moment, Quantity
from stillwell.units import System

_T = Quantity.TEMPERATURE


class ProbeWords:
    """The texts of one tank's probes."""

    def __init__(self, zone: str, units: System | str) -> None:
        self._words = Wording(zone, units)

    def doubted(
        self,
        name: str,
        doubt: Doubted,
        *,
        reads: float,
        newest: float,
        crept_k: float,
        left: Sequence[str] | None,
        since: Moment,
        now: Moment,
    ) -> Message:
        """The message about a probe that is doubted.

        Args:
            reads: its mean now, °C.
            newest: its newest reading, °C.
            crept_k: by how much it has drifted.
            left: the probes that still see the water; None where it is not one in the water.
        """
        what, likely, do = self._of_kind(name, doubt, reads, newest, crept_k)
        rest = ""
        if left:
            rest = f" The water is watched with {', '.join(left)} meanwhile."
        elif left is not None:
            rest = (
                " No other probe is left: read the water with another thermometer now and every "
                "hour until this is mended."
            )
        whole = f"{name} {what}, {self._words.since(since, now)}.{rest}"
        return Message(whole, likely, do, PROBE)

    def _of_kind(
        self, name: str, doubt: Doubted, reads: float, newest: float, crept_k: float
    ) -> tuple[str, str, str]:
        words = self._words
        match doubt.kind:
            case Kind.OUT:
                return (
                    f"reads {words.value(reads, _T)}, where water cannot get to so fast from "
                    f"{words.value(doubt.before, _T)}",
                    "Most likely it hangs out of the water, because it went where the room is and "
                    "not where a heater can bring water; or much cold or warm water was poured in, "
                    "if a thermometer says the same.",
                    "Put it back under water and fix its lead.",
                )
            case Kind.SWAPPED:
                return (
                    f"and {doubt.other} have changed places",
                    "Most likely their plugs or their leads were swapped, because each reads what "
                    "the other read before.",
                    "Change them back, or exchange their addresses in the configuration.",
                )
            case Kind.DRIFT:
                return (
                    f"has crept away by {words.difference(crept_k, _T)}",
                    _drift(name, doubt),
                    "Hold a thermometer that you trust beside it; replace the one that is off.",
                )
            case Kind.NOISY:
                return (
                    "flickers far more than it used to",
                    "Most likely a poor contact, a wet plug or a lead that picks up something.",
                    "Check its plug and its lead; dry them.",
                )
            case Kind.STUCK:
                return (
                    f"has read exactly {words.value(newest, _T, 2)} for longer than it ever did",
                    "Most likely it repeats an old value, because even still water flickers by a "
                    "step.",
                    "Unplug it for ten seconds and plug it in again; if it sticks again, replace "
                    "it.",
                )
            case Kind.JUMP:
                return (
                    f"has jumped away from {doubt.other or 'where it was'}, to "
                    f"{words.value(reads, _T)}",
                    "Most likely it has been changed or moved; or the pump stands and its water is "
                    "no longer the tank's.",
                    "See that the pump runs; hold a thermometer that you trust beside it.",
                )


def _drift(name: str, doubt: Doubted) -> str:
    if doubt.sure:
        return (
            f"Most likely {name} drifts, because it sees the heater switch elsewhere day by day "
            f"and {doubt.other} does not."
        )
    if doubt.other:
        return (
            f"Either {name} or {doubt.other} drifts; nobody can say which, because the heater has "
            "not told them apart."
        )
    return (
        "Most likely it drifts, because the heater seems to switch elsewhere day by day; or the "
        "dial is being turned little by little."
    )
