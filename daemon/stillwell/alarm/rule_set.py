"""The channels and rules of one plan, connected to each other, with what they keep for the next
run and what they take from the alarm log after a restart."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from stillwell.alarm.annunciate.state import AlarmState
from stillwell.alarm.kept import Shifted
from stillwell.alarm.plan import WatchPlan
from stillwell.alarm.rules.band import BandState
from stillwell.alarm.rules.limit import CLEAR, LimitState
from stillwell.alarm.rules.missing import NONE, Kind, Trouble
from stillwell.alarm.watched import AgreementWatch, BandWatch, Channel, StateWatch
from stillwell.notice import Priority

Standing = Callable[[str], AlarmState | None]
"""Returns the state of an alarm whose condition stands; None if it does not stand."""


class RuleSet:
    """Owned by one `Watch`."""

    def __init__(self, plan: WatchPlan) -> None:
        self.channels = {watch.name: Channel(watch) for watch in plan.channels}
        channels = self.channels
        self.bands = [BandWatch(b, [channels[n] for n in b.channels]) for b in plan.bands]
        self.states = [StateWatch(d, channels[d.channel]) for d in plan.discrepancies]
        self.agreements = [
            AgreementWatch(a, [channels[n] for n in a.channels]) for a in plan.agreements
        ]
        self._connect()

    def _connect(self) -> None:
        for band in self.bands:
            for channel in band.channels:
                channel.bands.append(band)
                channel.floor = max(channel.floor, band.band.low)
                channel.ceiling = min(channel.ceiling, band.band.high)
        for state in self.states:
            state.channel.states.append(state)
            limit = state.limit
            if state.discrepancy.wrong_above:
                state.channel.ceiling = min(state.channel.ceiling, limit.at)
            else:
                state.channel.floor = max(state.channel.floor, limit.at)
        for agreement in self.agreements:
            for channel in agreement.channels:
                channel.agreements.append(agreement)
        for channel in self.channels.values():
            channel.averaged = bool(channel.bands or channel.agreements)
            channel.raced = any(band.limits.rate is not None for band in channel.bands)
            if channel.bands and all(len(band.channels) > 1 for band in channel.bands):
                # Another channel still shows the water: this can wait for the next time somebody is
                # there.
                channel.priority = Priority.LOW

    def kept(self) -> dict[str, Any]:
        """Returns what the next run continues from, for `kept.as_text`."""
        return {
            "channels": {name: c.kept() for name, c in self.channels.items()},
            "bands": {b.band.name: b.kept() for b in self.bands},
            "states": {s.discrepancy.name: s.kept() for s in self.states},
            "agreements": {a.agreement.name: a.kept() for a in self.agreements},
        }

    def revive(self, kept: Any, here: Shifted) -> None:
        """Continues from what an earlier run has kept; skips rules that no longer exist."""
        for rules, told in (
            (self.channels, kept["channels"]),
            ({b.band.name: b for b in self.bands}, kept["bands"]),
            ({s.discrepancy.name: s for s in self.states}, kept["states"]),
            ({a.agreement.name: a for a in self.agreements}, kept["agreements"]),
        ):
            for name in rules.keys() & told.keys():
                rules[name].revive(told[name], here)

    def restore(self, standing: Standing) -> None:
        """Tells the rules which alarms stand, so that they clear them when their condition is
        over."""

        def stood(alarm: str) -> LimitState:
            state = standing(alarm)
            return CLEAR if state is None else LimitState(active=True, since=state.since)

        for name, channel in self.channels.items():
            for kind in Kind:
                state = standing(f"{name}.{kind}")
                if state is not None and channel.trouble.kind is None:
                    channel.trouble = Trouble(kind, since=state.since)
            channel.stuck = standing(f"{name}.stuck") is not None
        for band in self.bands:
            name = band.band.name
            unseen = standing(f"{name}.unseen")
            band.state = BandState(
                low=stood(f"{name}.low"),
                high=stood(f"{name}.high"),
                rate=stood(f"{name}.rate"),
                sight=NONE if unseen is None else Trouble(Kind.SILENT, since=unseen.since),
            )
        for rule in self.states:
            rule.state = stood(rule.discrepancy.name)
        for agreement in self.agreements:
            agreement.state = stood(f"{agreement.agreement.name}.apart")
