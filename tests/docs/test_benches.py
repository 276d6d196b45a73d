"""Every bench starts as its file says: by its path, in a shell that has no paths of its own."""

from __future__ import annotations

import subprocess
import sys

from command_line import ROOT

BENCHES = ROOT / "tests" / "bench"
IMPORT_ALL = """
import runpy, sys

usual = [*sys.path]
for bench in sys.argv[1:]:
    sys.path[:] = [bench.rpartition("/")[0], *usual]
    try:
        runpy.run_path(bench)
    except Exception as error:
        print(f"{bench.rpartition('/')[2]}: {error!r}")
    # The next one must find by itself what this one has found.
    for name, module in [*sys.modules.items()]:
        if "/tests/" in (getattr(module, "__file__", "") or ""):
            del sys.modules[name]
"""
"""What each bench imports, in one process: most of it, and all that is slow, they have in
common."""


def test_every_bench_finds_what_it_imports() -> None:
    benches = sorted(str(path) for path in BENCHES.glob("*.py"))
    ran = subprocess.run(
        [sys.executable, "-I", "-c", IMPORT_ALL, *benches],
        cwd="/",
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert (ran.stdout, ran.returncode) == ("", 0), ran.stdout + ran.stderr
