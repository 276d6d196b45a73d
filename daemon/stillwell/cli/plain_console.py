"""A terminal on which nothing obeys what comes from outside."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from stillwell.shown import plain_lines


class PlainConsole(Console):
    """A console whose texts are plain: what a sensor, a broker or a file's name says is shown, but
    no terminal obeys it. The styles are rich's own and stay."""

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        for segment in super().render(renderable, options):
            text, style, control = segment
            yield segment if control else Segment(plain_lines(text), style)
