#!/usr/bin/env bash
# Renews the locks from pyproject.toml: what builds us (build.lock), what install.sh and try.sh install
# (requirements.lock), what tests/run.sh installs (dev.lock), uv with it.
#   tests/lock.sh                     keeps the versions that still fit
#   tests/lock.sh --upgrade           takes the newest that fit
# Further arguments go to uv, for example --upgrade-package rich.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
PATH="$PWD/.venv/bin:$PATH"

more=("$@")
# For every Python and machine that we run on, by markers. From PyPI whatever this machine is set to: no
# other index may be named in a lock.
lock() {
    local file="$1"
    shift
    uv pip compile --quiet --no-config --universal --python-version 3.11 --generate-hashes --no-annotate \
        --default-index https://pypi.org/simple --no-emit-index-url --custom-compile-command tests/lock.sh \
        --output-file "$file" "$@" "${more[@]}"
}
# dev.lock first: the other two pin the same versions.
lock dev.lock pyproject.toml --extra dev --group build
lock requirements.lock pyproject.toml --extra influx --extra push --extra page --constraint dev.lock
lock build.lock --group build --constraint dev.lock
