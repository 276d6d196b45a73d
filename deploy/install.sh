#!/usr/bin/env bash
# Installs stillwell on a Raspberry Pi (or any Debian 12 or 13), updates it when run again.
#   sudo deploy/install.sh            install or update
#   sudo deploy/install.sh --remove   remove it; configuration and readings stay
# STILLWELL_ROOT=/some/folder stages everything below that folder and touches no service and no account.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

root="${STILLWELL_ROOT:-}"
root="${root%/}"
home="$root/opt/stillwell"
etc="$root/etc/stillwell"
state="$root/var/lib/stillwell"
unit="$root/etc/systemd/system/stillwell.service"
sysusers="$root/usr/lib/sysusers.d/stillwell.conf"
tmpfiles="$root/usr/lib/tmpfiles.d/stillwell.conf"
rules="$root/etc/udev/rules.d/99-stillwell.rules"
command="$root/usr/local/bin/stillwell"

say() { echo "stillwell: $*"; }
fail() {
    echo "stillwell: $*" >&2
    exit 1
}

if [[ -z $root && $EUID -ne 0 ]]; then
    fail "this needs root. Run: sudo deploy/install.sh $*"
fi

# Whether a systemd is running here that we may speak to.
service() { [[ -z $root && -d /run/systemd/system ]]; }

remove() {
    if service; then
        systemctl disable --now stillwell.service 2>/dev/null || true
    fi
    rm -rf "$home"
    rm -f "$unit" "$sysusers" "$tmpfiles" "$rules" "$command"
    if service; then
        systemctl daemon-reload
        udevadm control --reload || true
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

install_program() {
    mkdir -p "$home/share"
    if [[ ! -x $home/venv/bin/python ]]; then
        say "making $home/venv"
        python3 -m venv "$home/venv"
    fi
    say "installing the program and its packages (a few minutes on a Zero 2 W)"
    # Our own version number stands still between commits, so that pip must be told to look again.
    "$home/venv/bin/python" -m pip install --quiet --disable-pip-version-check --upgrade ".[influx,push]" ||
        fail "the packages could not be installed; is the network up? Nothing else was changed."
    "$home/venv/bin/python" -m pip install --quiet --disable-pip-version-check --no-deps --force-reinstall .
    install -m 0644 README.md "$home/share/README.md"
    install -D -m 0644 -t "$home/share/config" config/*
    mkdir -p "$(dirname "$command")"
    ln -sfn "${home#"$root"}/venv/bin/stillwell" "$command"
}

install_files() {
    install -D -m 0644 deploy/systemd/stillwell.sysusers "$sysusers"
    install -D -m 0644 deploy/systemd/stillwell.tmpfiles "$tmpfiles"
    install -D -m 0644 deploy/systemd/99-stillwell.rules "$rules"
    install -D -m 0644 deploy/systemd/stillwell.service "$unit"
    if [[ -z $root ]]; then
        systemd-sysusers stillwell.conf
        systemd-tmpfiles --create stillwell.conf
    else
        mkdir -p "$etc/credentials" "$state"
    fi
    if [[ ! -e $etc/stillwell.toml ]]; then
        install -m 0640 config/stillwell.toml "$etc/stillwell.toml"
        [[ -n $root ]] || chgrp stillwell "$etc/stillwell.toml"
        fresh=1
    fi
}

start() {
    if ! service; then
        say "no running systemd here: the unit is in place, nothing was started."
        return
    fi
    udevadm control --reload || true
    udevadm trigger --subsystem-match=gpio --subsystem-match=w1 || true
    systemctl daemon-reload
    systemctl enable --quiet stillwell.service
    systemctl restart stillwell.service
}

fresh=0
case "${1:-}" in
    "") ;;
    --remove)
        remove
        exit 0
        ;;
    *) fail "unknown argument $1. Known: --remove" ;;
esac

need_python
install_program
install_files
start
if ((fresh)); then
    say "installed. Next: edit $etc/stillwell.toml (it describes a reading room's tank, not yours),"
    say "then run: sudo stillwell check, and: sudo systemctl restart stillwell"
else
    say "updated; $etc/stillwell.toml was left as it is. Look at it with: stillwell check"
fi
say "To answer alarms without sudo: sudo adduser \$USER stillwell, then log in again."
