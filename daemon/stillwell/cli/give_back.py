"""``python -m stillwell.cli.give_back CONFIG``: restores the store as it was before a later program
migrated it, for ``install.sh --rollback`` and ``stillwell-rollback``, which run it with the program
that they go back to.
"""

from __future__ import annotations

from pathlib import Path

import typer

from stillwell.cli.console import say
from stillwell.cli.options import load_settings, reporting_store_errors
from stillwell.store.before import give_back


def main(config: Path) -> None:
    """Puts the copy that was made before the migration in the store's place, if this program needs
    it."""
    path = load_settings(config).store_path
    with reporting_store_errors():
        aside = give_back(path)
    if aside is not None:
        say(
            f"The store {path} is again as it was before the newer program brought it up to date. "
            f"What was read and noted since then is kept in {aside}: the newer program reads it, "
            f"for example with: stillwell export --store {aside}"
        )


if __name__ == "__main__":
    typer.run(main)
