#!/usr/bin/env bash
# Installs stillwell on a Raspberry Pi (or any Debian 12 or 13) from its sources, updates it when run again.
#   sudo deploy/install.sh             install or update
#   sudo deploy/install.sh --rollback  back to the release that was in use before the last update
#   sudo deploy/install.sh --remove    remove it; configuration and readings stay
# The service is started once the settings are your own and "stillwell check" passes; until then this says
# what is left to do.
# STILLWELL_ROOT=/some/folder stages everything below that folder and touches no service and no account.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
umask 022 # whatever root's own is: the service's user must be able to read the program

root="${STILLWELL_ROOT:-}"
root="${root%/}"
# shellcheck source-path=SCRIPTDIR source=release.sh
. deploy/release.sh
state="$root/var/lib/stillwell"
units="$root/etc/systemd/system"
unit="$units/stillwell.service"
more_tanks="$units/stillwell@.service"
page="$units/stillwell-page.service"
socket="$units/stillwell-page.socket"
sysusers="$root/usr/lib/sysusers.d/stillwell.conf"
tmpfiles="$root/usr/lib/tmpfiles.d/stillwell.conf"
rules="$root/etc/udev/rules.d/99-stillwell.rules"
command="$root/usr/local/bin/stillwell"

if [[ -z $root && $EUID -ne 0 ]]; then
    fail "this needs root. Run: sudo deploy/install.sh $*"
fi
if [[ -e $home/package ]]; then
    fail "stillwell is installed as a Debian package here. Nothing was changed." \
        "To update it: sudo apt install ./stillwell_VERSION_ARCHITECTURE.deb. To go back: sudo stillwell-rollback." \
        "To have it from these sources: sudo apt remove stillwell (settings and readings stay), then $again."
fi

remove() {
    if service; then
        systemctl disable --now stillwell-page.socket stillwell-page.service 2>/dev/null || true
        systemctl disable --now stillwell.service 'stillwell@*.service' 2>/dev/null || true
    fi
    rm -rf "$home"
    rm -f "$unit" "$more_tanks" "$page" "$socket" "$steps" "$sysusers" "$tmpfiles" "$rules" "$command"
    rmdir --ignore-fail-on-non-empty "$unit.d" 2>/dev/null || true
    if service; then
        systemctl daemon-reload
        reload_udev
    fi
    say "removed. Kept: $etc (configuration) and $state (readings, alarms, journal)."
    say "To delete those too: rm -r $etc $state"
}

need_python() {
    if python3 -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        return
    fi
    [[ -z $root ]] || fail "python3 with venv is missing. Run: apt-get install python3 python3-venv"
    say "installing python3-venv"
    apt-get update -qq
    DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends python3 python3-venv >/dev/null
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
        fail "Python 3.11 or newer is needed; this is $(python3 --version). Debian 12 has it."
}

# The page draws a night's charts with Debian's library; without it there are pictures and tables.
need_charts() {
    [[ -z $root && ! -e /usr/share/javascript/dygraphs ]] || return 0
    say "installing libjs-dygraphs, for the charts of the web page"
    if ! { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends \
        libjs-dygraphs >/dev/null; }; then
        say "it could not be had; the page shows pictures without it."
    fi
}

build_release() {
    new_release
    python3 -m venv "$release/venv"
    say "installing the program and its packages (a few minutes on a Zero 2 W)"
    deploy/packages.sh "$release/venv/bin/python" requirements.lock ||
        fail "the packages could not be installed. Is the network up, are 200 MB free on the disk? Nothing was changed."
    add_own_packages
    lay_out "$release"
    remember_previous
}

install_files() {
    mkdir -p "$(dirname "$command")"
    link "${current#"$root"}/venv/bin/stillwell" "$command"
    place stillwell.sysusers "$sysusers"
    place stillwell.tmpfiles "$tmpfiles"
    place 99-stillwell.rules "$rules"
    place stillwell.service "$unit"
    place stillwell-page.service "$page"
    place stillwell-page.socket "$socket"
    if [[ -e $unit ]]; then
        unit_of_more_tanks "$unit" >"$more_tanks.new"
        mv -f "$more_tanks.new" "$more_tanks"
    fi
    place_steps
    if [[ -z $root ]]; then
        systemd-sysusers stillwell.conf
        systemd-tmpfiles --create stillwell.conf
    else
        mkdir -p "$etc/credentials" "$etc/tanks" "$state"
    fi
    place_example
    sync
}

case "${1:-}" in
    "" | --rollback | --remove) ;;
    *) fail "unknown argument $1. Known: --rollback, --remove" ;;
esac
alone
case "${1:-}" in
    --rollback)
        roll_back
        exit 0
        ;;
    --remove)
        remove
        exit 0
        ;;
esac

need_python
need_charts
tidy
build_release
put_in_use
rm -rf "$home/venv" "$home/share" # where the program was before there were releases
