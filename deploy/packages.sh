#!/usr/bin/env bash
# Installs stillwell, and the packages that a lock pins, into a Python environment; install.sh, try.sh and
# tests/run.sh use it.
#   deploy/packages.sh .venv/bin/python requirements.lock [--editable]
# STILLWELL_UV=.venv/bin/uv has uv do it instead of pip.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
python="$1"
lock="$2"
shift 2
pip=("$python" -m pip install --quiet --disable-pip-version-check)

if "$python" -c 'import sys; sys.exit(sys.maxsize > 2**32)'; then
    # PyPI has not every package for 32 bits, and piwheels builds its own wheels: their hashes are in
    # no lock of PyPI's. So the newest that the bounds in pyproject.toml allow and that need not be compiled.
    echo "This is a 32-bit system: packages are taken within the bounds of pyproject.toml, not from $lock," \
        "and not held against its hashes." >&2
    "${pip[@]}" --prefer-binary "$@" ".[influx,push,page]"
    exit
fi
if [[ -n ${STILLWELL_UV:-} ]]; then
    pip=("$STILLWELL_UV" pip install --quiet --python "$python")
fi
"${pip[@]}" --require-hashes -r build.lock
"${pip[@]}" --require-hashes --no-build-isolation -r "$lock"
# Fresh in any case: our own version number stands still between commits.
"${pip[@]}" --no-deps --no-build-isolation --force-reinstall "$@" .
