#!/usr/bin/env bash
# Sets up what the tests need and runs all of them: lint, format, types, tests.
#   tests/run.sh            the default run, minutes
#   tests/run.sh --long     campaigns in full, hours
#   tests/run.sh --machine  only: installed on booted machines, virtual ones too (tests/hil/vm), as root
# Further arguments go to pytest.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

# Real parts, from Debian: a broker with its clients, a time-series server, the checkers for units and scripts.
declare -A needs=(
    [mosquitto]=mosquitto
    [mosquitto_pub]=mosquitto-clients
    [victoria-metrics]=victoria-metrics
    [influxd]=influxdb
    [systemd-analyze]=systemd
    [shellcheck]=shellcheck
    [openssl]=openssl
    [chromium]=chromium
    [caddy]=caddy
    [mmdebstrap]=mmdebstrap
    [systemd-nspawn]=systemd-container
)
machine=0
if [[ ${1:-} == --machine ]]; then
    machine=1
    shift
    needs+=([qemu-system-x86_64]=qemu-system-x86 [mke2fs]=e2fsprogs)
    needs+=([qemu-aarch64-static]=qemu-user-static [linux.uml]=user-mode-linux)
fi
missing=()
for command in "${!needs[@]}"; do
    if ! PATH="$PATH:/usr/sbin:/sbin" command -v "$command" >/dev/null 2>&1; then
        missing+=("${needs[$command]}")
    fi
done
[[ -e /usr/share/javascript/dygraphs ]] || missing+=(libjs-dygraphs)
python="${STILLWELL_PYTHON:-python3}"
if ! "$python" -c 'import venv, ensurepip' >/dev/null 2>&1; then
    missing+=(python3 python3-venv)
fi
if ((${#missing[@]})); then
    # Debian starts a freshly installed broker; the tests start their own, on ports of their own.
    install=(apt-get install -y --no-install-recommends "${missing[@]}")
    if [[ $EUID -eq 0 ]]; then
        echo "installing: ${missing[*]}"
        export DEBIAN_FRONTEND=noninteractive
        apt-get update -qq
        "${install[@]}" >/dev/null
    elif sudo -n true 2>/dev/null; then
        echo "installing: ${missing[*]}"
        sudo apt-get update -qq
        sudo DEBIAN_FRONTEND=noninteractive "${install[@]}" >/dev/null
    else
        echo "The tests need these Debian packages: ${missing[*]}" >&2
        echo "Install them with:" >&2
        echo "    sudo apt-get update && sudo ${install[*]}" >&2
        exit 1
    fi
fi
PATH="$PATH:/usr/sbin:/sbin"

if [[ ! -x .venv/bin/python ]]; then
    "$python" -m venv .venv
fi
stamp=.venv/.stillwell-dev
if [[ ! -e $stamp || pyproject.toml -nt $stamp || dev.lock -nt $stamp ]]; then
    echo "installing Python packages into .venv"
    # uv takes a tenth of pip's time; pip, which a Pi has, is tried by test_deploy.
    uv="$(sed -n '/^uv==/,/^[^ ]/{/^uv==/p;/^ /p}' dev.lock)"
    if .venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r <(echo "$uv"); then
        export STILLWELL_UV=.venv/bin/uv
    fi
    deploy/packages.sh .venv/bin/python dev.lock --editable ||
        STILLWELL_UV="" deploy/packages.sh .venv/bin/python dev.lock --editable
    unset STILLWELL_UV
    touch "$stamp"
fi

run() {
    echo "+ $*"
    "$@"
}
if ((machine)); then
    # As low as can be: what an update compiles at low priority within a machine is not to wait for its neighbours.
    renice -n 19 -p $$ >/dev/null
    STILLWELL_PACKAGES="$(mktemp -d /var/tmp/stillwell-machine-XXXX)"
    export STILLWELL_PACKAGES
    trap 'rm -rf "$STILLWELL_PACKAGES"' EXIT
    here="$(dpkg --print-architecture)"
    suites=(bookworm trixie)
    declare -A at_work
    each_is_done() {
        local suite
        for suite in "${suites[@]}"; do wait "${at_work[$suite]}" || failed=1; done
    }
    failed=0
    for suite in "${suites[@]}"; do
        {
            run .venv/bin/python tests/hil/vm/debian.py "$suite" &&
                run .venv/bin/python tests/hil/vm/kernel.py "$suite" &&
                run tests/hil/packages.sh --fetch "$suite-$here" "$suite-arm64"
        } &
        at_work[$suite]=$!
    done
    each_is_done
    echo "What is made once is there, after $SECONDS s."
    run tests/hil/packages.sh --make "$STILLWELL_PACKAGES"
    # Side by side: machines wait for their timers, fresh systems for their disk.
    for suite in "${suites[@]}"; do
        tests/hil/packages.sh "$suite-$here" "$suite-arm64" >"$STILLWELL_PACKAGES/said-$suite" 2>&1 &
        at_work[$suite]=$!
    done
    run .venv/bin/pytest -n 3 --dist loadfile --no-loadscope-reorder --machine --verbose tests/hil/vm "$@" || failed=1
    each_is_done
    cat "$STILLWELL_PACKAGES"/said-*
    exit "$failed"
fi
# The Debian that a test boots is made meanwhile, once; the test waits for it, or says why there is none.
if [[ $EUID -eq 0 ]]; then
    .venv/bin/python tests/hil/vm/debian.py bookworm &
fi
run .venv/bin/ruff check daemon drivers tests
run .venv/bin/ruff format --check daemon drivers tests
run .venv/bin/mypy daemon drivers tests
run shellcheck tests/*.sh tests/hil/*.sh deploy/*.sh .ci/run
# Hundreds of tests start a process: each would compile the program anew where nothing compiled is kept.
unset PYTHONDONTWRITEBYTECODE
.venv/bin/python -m compileall -q daemon drivers
# Three processes share the files, on two cores: many tests wait for something most of their time.
run .venv/bin/pytest -n 3 --dist loadfile --no-loadscope-reorder "$@"
