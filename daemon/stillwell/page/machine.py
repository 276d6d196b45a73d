"""The machine behind the tank: what was learned about the heater, who is told of alarms, and
whether the settings are right. It never shows secrets."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterable

from starlette.requests import Request
from starlette.responses import Response

from stillwell.cli.heater import ROWS, balance, figures, learned_of, nothing, told
from stillwell.cli.sinks import Standing, standings
from stillwell.cli.status import NO_RECIPIENT
from stillwell.cli.watch_line import kept_run
from stillwell.page.access import Visitor
from stillwell.page.seen import Seen, seen
from stillwell.page.site import Site, clock_words

_CHECKED_WITHIN_S = 60.0


class Machine:
    """The routes."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def page(self, request: Request, visitor: Visitor) -> Response:
        tank = self._site.tank(request)
        with seen(tank) as now:
            run = kept_run(now.reader)
            configured = None if run is None else [one.name for one in run.recipients]
            recipients = [_recipient(one, now) for one in standings(now.reader, configured)]
            learned, lines, picture = _heater(now)
            size = tank.store.stat().st_size
            return self._site.page(
                "machine.html",
                visitor,
                tank=tank.name,
                label=now.plan.tank,
                screen="Machine",
                told=self._site.said(request),
                line=now.line,
                learned=learned,
                lines=lines,
                balance=picture,
                recipients=recipients,
                no_recipient="" if recipients else NO_RECIPIENT,
                store=str(tank.store),
                size=f"{size / 1e6:,.0f} MB",
                daemon=run.version if run else "",
                config=str(tank.config or ""),
            )

    def check(self, request: Request, visitor: Visitor) -> Response:
        """Returns what ``stillwell check`` says about the settings. The command itself is asked,
        whose models need not stay in this process."""
        tank = self._site.tank(request)
        if tank.config is None:
            return self._site.trouble(request, 404, "No settings belong to this store.")
        command = (sys.executable, "-c", "from stillwell.cli.main import main; main()")
        argv = [*command, "check", "--settings", "--json", "--config", str(tank.config)]
        try:
            done = subprocess.run(
                argv, capture_output=True, text=True, check=False, timeout=_CHECKED_WITHIN_S
            )
            found = json.loads(done.stdout) if done.stdout else {"points": [], "settings": []}
            trouble = "" if done.stdout else json.loads(done.stderr.splitlines()[-1])["error"]
        except (subprocess.TimeoutExpired, ValueError, KeyError, IndexError):
            return self._site.trouble(request, 503, "The settings could not be looked at just now.")
        with seen(tank) as now:
            label = now.plan.tank
        return self._site.page(
            "check.html",
            visitor,
            tank=tank.name,
            label=label,
            screen="Machine",
            points=found["points"],
            tables=_tables(found["settings"]),
            trouble=trouble,
        )


def _tables(given: Iterable[dict[str, str]]) -> dict[str, list[tuple[str, str]]]:
    """Returns the rows of each table of the settings."""
    tables: dict[str, list[tuple[str, str]]] = {}
    for one in given:
        tables.setdefault(one["table"], []).append((one["key"], one["value"]))
    return tables


def _heater(now: Seen) -> tuple[list[tuple[str, str, str]], list[str], list[str]]:
    """Returns rows of what was learned, what follows from it, and the balance of a day."""
    plan = now.plan
    if not any(band.unit == "Cel" and band.of_water for band in plan.bands):
        return [], ["No band watches the water's temperature."], []
    found = learned_of(now.reader, plan)
    if found is None:
        return [], [nothing(plan)], []
    rows = [
        (what, *figures(found.learned[name], plan)) for name, what in ROWS if name in found.learned
    ]
    return rows, told(found, plan), balance(found)[1:]


def _recipient(one: Standing, now: Seen) -> tuple[str, bool, str]:
    """Returns a sink's name, whether it is well, and how it is doing."""
    if not one.configured:
        return one.name, True, "no longer configured"
    if one.verdict is None:
        return one.name, False, "not tried yet"
    behind = f"{one.behind:,} behind" if one.behind else "has everything"
    refused = f", refused {len(one.letters)}" if one.letters else ""
    since = clock_words(one.verdict.since_ms, now.zone, now.now_ms)
    state = f"away since {since}" if one.verdict.away else f"well since {since}"
    words = f". {one.verdict.words}" if one.verdict.words else ""
    return one.name, not one.verdict.away, f"{state}, {behind}{refused}{words}"
