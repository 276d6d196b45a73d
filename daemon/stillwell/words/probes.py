"""Words for probes that are not believed."""

from __future__ import annotations

from stillwell.estimate.probes.doubt import Kind, ProbeBelieved, ProbeDoubted
from stillwell.notice import Said
from stillwell.words.cautions import PROBE
from stillwell.words.figures import Figures


def doubted(facts: ProbeDoubted, figures: Figures) -> Said:
    what, why, do = _of_kind(facts, figures)
    seen = f"It {what}, {figures.from_then()}."
    if facts.left:
        seen += f" The water is watched with {', '.join(facts.left)} meanwhile."
    elif facts.left is not None:
        do += (
            " No other probe is left: read the water with another thermometer now and every hour "
            "until this is mended."
        )
    return Said(f"{facts.name} can't be trusted: {_SHORT[facts.kind]}.", do, seen, why, PROBE)


_SHORT = {
    Kind.OUT: "out of the water?",
    Kind.SWAPPED: "swapped?",
    Kind.DRIFT: "drifts",
    Kind.NOISY: "flickers",
    Kind.STUCK: "stuck",
    Kind.JUMP: "has jumped",
}


def _of_kind(facts: ProbeDoubted, figures: Figures) -> tuple[str, str, str]:
    """Returns what the probe does, why that is thought, and what to do."""
    match facts.kind:
        case Kind.OUT:
            return (
                f"reads {figures.temperature(facts.reads_c)}, where water can't get to so fast "
                f"from {figures.temperature(facts.before_c)}",
                "It went where the room is, and not where a heater can bring water. Or much cold "
                "or warm water was poured in, if a thermometer says the same.",
                "Put it back under water and fix its lead.",
            )
        case Kind.SWAPPED:
            return (
                f"and {facts.other} have changed places",
                "Their plugs or leads were swapped: each reads what the other read before.",
                "Change them back, or exchange their addresses in the settings.",
            )
        case Kind.DRIFT:
            return (
                f"has crept away by {figures.difference(facts.crept_k)}",
                _drift(facts),
                "Hold a thermometer that you trust beside it. Replace the one that is off.",
            )
        case Kind.NOISY:
            return (
                "flickers far more than it used to",
                "Most likely a poor contact, a wet plug, or a lead that picks up something.",
                "Check its plug and its lead, and dry them.",
            )
        case Kind.STUCK:
            return (
                f"has read exactly {figures.temperature(facts.newest_c, 2)} for longer than ever",
                "It repeats an old value: even still water flickers by a step.",
                "Unplug it for ten seconds and plug it in again. If it sticks again, replace it.",
            )
        case Kind.JUMP:
            return (
                f"has jumped away from {facts.other or 'where it was'}, to "
                f"{figures.temperature(facts.reads_c)}",
                "Most likely it was changed or moved. Or the pump has stopped, and its water is no "
                "longer the tank's.",
                "See that the pump runs. Hold a thermometer that you trust beside the probe.",
            )


def _drift(facts: ProbeDoubted) -> str:
    if facts.sure:
        return f"It sees the heater switch elsewhere day by day, and {facts.other} does not."
    if facts.other:
        return (
            f"Either it or {facts.other} drifts. Nobody can say which: the heater has not told "
            "them apart."
        )
    return (
        "The heater seems to switch elsewhere day by day. Or the dial is being turned little by "
        "little."
    )


def believed(facts: ProbeBelieved, figures: Figures) -> Said:
    return Said(f"{facts.name} behaves and is believed.")
