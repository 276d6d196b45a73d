#!/usr/bin/env bash
# Installs stillwell on a Raspberry Pi (or any Debian 12 or 13), updates it when run again.
#   sudo deploy/install.sh             install or update
#   sudo deploy/install.sh --rollback  back to the release that was in use before the last update
#   sudo deploy/install.sh --remove    remove it; configuration and readings stay
# The service is started once the settings are your own and "stillwell check" passes; until then this says
# what is left to do.
# STILLWELL_ROOT=/some/folder stages everything below that folder and touches no service and no account.
#
# A release is built in full beside the one in use and tried; then one rename of the link
# /opt/stillwell/current switches to it. Killed at any moment, this leaves the one release or the other in
# use, and running it again puts the rest right.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
umask 022 # whatever root's own is: the service's user must be able to read the program

root="${STILLWELL_ROOT:-}"
root="${root%/}"
home="$root/opt/stillwell"
releases="$home/releases"
current="$home/current"
etc="$root/etc/stillwell"
settings="$etc/stillwell.toml"
packages="$etc/packages.txt"
state="$root/var/lib/stillwell"
units="$root/etc/systemd/system"
unit="$units/stillwell.service"
more_tanks="$units/stillwell@.service"
page="$units/stillwell-page.service"
socket="$units/stillwell-page.socket"
steps="$unit.d/10-restart-steps.conf"
sysusers="$root/usr/lib/sysusers.d/stillwell.conf"
tmpfiles="$root/usr/lib/tmpfiles.d/stillwell.conf"
rules="$root/etc/udev/rules.d/99-stillwell.rules"
command="$root/usr/local/bin/stillwell"
lock="$root/run/lock/stillwell-install"

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

# Whether the service has been started for good.
begun() { service && systemctl is-enabled --quiet stillwell.service 2>/dev/null; }

# Whether the settings are the keeper's, and not still the example of a release: that one names the sensors
# of another tank, which have no business in this one's readings.
own_settings() {
    local example
    for example in "$releases"/*/share/config/stillwell.toml; do
        if cmp --quiet "$settings" "$example"; then return 1; fi
    done
}

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

# The page draws a night's charts with Debian's library; without it there are pictures and tables.
need_charts() {
    [[ -z $root && ! -e /usr/share/javascript/dygraphs ]] || return 0
    say "installing libjs-dygraphs, for the charts of the web page"
    if ! { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends \
        libjs-dygraphs >/dev/null; }; then
        say "it could not be had; the page shows pictures without it."
    fi
}

# Held until this ends, however it ends.
alone() {
    mkdir -p "$(dirname "$lock")"
    exec 9>"$lock"
    flock --nonblock 9 || fail "another install.sh is at work. Wait until it has ended, then run this again."
}

# A link, replaced at one stroke: at no moment is there none.
link() {
    ln -sfn "$1" "$2.new"
    mv -fT "$2.new" "$2"
}

# A file of the release in use, where there is one, replaced at one stroke.
place() {
    [[ -e $current/systemd/$1 ]] || return 0
    install -D -m 0644 "$current/systemd/$1" "$2.new"
    mv -f "$2.new" "$2"
}

build_release() {
    mkdir -p "$releases"
    release="$(mktemp -d "$releases/$(date -u +%Y%m%dT%H%M%SZ)-XXXX")"
    trap 'rm -rf "$release"' EXIT
    chmod 0755 "$release"
    say "making $release"
    python3 -m venv "$release/venv"
    say "installing the program and its packages (a few minutes on a Zero 2 W)"
    deploy/packages.sh "$release/venv/bin/python" requirements.lock ||
        fail "the packages could not be installed. Is the network up, are 200 MB free on the disk? Nothing was changed."
    if [[ -e $packages ]]; then
        say "installing the packages that $packages names"
        # What is there already stays as it is.
        "$release/venv/bin/python" -m pip freeze --exclude stillwell >"$release/constraints.txt"
        "$release/venv/bin/python" -m pip install --quiet --disable-pip-version-check \
            --requirement "$packages" --constraint "$release/constraints.txt" ||
            fail "what $packages names could not be installed. Nothing was changed."
    fi
    # Where the texts point to each other, they do so from the same places as in the sources.
    install -D -m 0644 -t "$release/share" README.md
    install -D -m 0644 -t "$release/share/config" config/*
    install -D -m 0644 -t "$release/share/deploy" deploy/README.md deploy/Caddyfile
    install -D -m 0644 -t "$release/share/daemon" daemon/HOW-IT-KNOWS.md
    install -D -m 0644 -t "$release/systemd" deploy/systemd/*
    # Which one is in use before it: what --rollback goes back to, switched by the same rename.
    if [[ -e $current ]]; then
        ln -s "../$(basename "$(readlink "$current")")" "$release/previous"
    fi
}

# Whether the release can do the keeper's work; fails with what is wrong otherwise.
try_release() {
    local said
    "$1/venv/bin/stillwell" --version >/dev/null || fail "the program in $1 does not start. Nothing was changed."
    if [[ -e $settings ]] && ! said="$("$1/venv/bin/stillwell" check --settings --config "$settings" 2>&1)"; then
        echo "$said" >&2
        fail "that program can't work with $settings as it is: see above. Nothing was changed, the program in" \
            "use stays. Put it right, then run this again. (A driver or sink of your own comes along when a" \
            "line of $packages names its package.)"
    fi
}

switch_to() {
    # On the disk before the switch, and the switch before the program starts: a power cut may come.
    sync --file-system "$home"
    link "releases/$(basename "$1")" "$current"
    sync --file-system "$home"
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
    # Each further tank: the same service with a configuration of its own.
    if [[ -e $unit ]]; then
        sed -e 's|^Description=.*|Description=stillwell: watches the tank %i and warns|' \
            -e 's|/etc/stillwell/stillwell.toml|/etc/stillwell/tanks/%i.toml|' \
            -e 's|^\(LoadCredential=stillwell:\).*|\1/etc/stillwell/tanks/credentials|' "$unit" >"$more_tanks.new"
        mv -f "$more_tanks.new" "$more_tanks"
    fi
    if (($(systemctl --version 2>/dev/null | awk 'NR == 1 { v = $2 } END { print v + 0 }') >= 254)); then
        place restart-steps.conf "$steps"
    fi
    if [[ -z $root ]]; then
        systemd-sysusers stillwell.conf
        systemd-tmpfiles --create stillwell.conf
    else
        mkdir -p "$etc/credentials" "$state"
    fi
    if [[ ! -e $settings ]] || ! own_settings; then
        install -m 0640 "$current/share/config/stillwell.toml" "$settings.new"
        [[ -n $root ]] || chgrp stillwell "$settings.new"
        mv "$settings.new" "$settings"
    fi
    sync
}

# Keeps the release in use and the one before it; what is left of one that was cut off goes.
tidy() {
    local each
    for each in "$releases"/*; do
        if [[ ! $each -ef $current && ! $each -ef $current/previous ]]; then
            rm -rf "$each"
        fi
    done
}

roll_back() {
    local kept
    kept="$(readlink -f "$current/previous" || true)"
    [[ -d $kept ]] || fail "no earlier release is kept here. Nothing was changed."
    try_release "$kept"
    if begun; then
        # Whatever happens from here, somebody watches.
        trap 'systemctl start stillwell.service' EXIT
        systemctl stop stillwell.service
    fi
    if [[ -e $settings ]]; then
        "$kept/venv/bin/python" -m stillwell.cli.give_back "$settings" ||
            fail "the earlier release can't use the store: see above. The program in use stays."
    fi
    switch_to "$kept"
    install_files
    start
    say "back at $kept. What was in use until now stays beside it until the next update."
}

# Fails when the service is to run and does not come up.
start() {
    local said
    if service; then
        udevadm control --reload || true
        udevadm trigger --subsystem-match=gpio --subsystem-match=w1 || true
        systemctl daemon-reload
    fi
    if ! own_settings; then
        if begun; then systemctl disable --quiet --now stillwell.service; fi
        say "nothing watches yet. $settings describes a reading room's tank. What is left to do:"
        say "  sudo nano $settings           # your tank: probes, floats, bands, whom to tell"
    elif begun; then
        # What watches goes on watching, whatever a check would find now.
        systemctl restart stillwell.service || return 1
        systemctl try-restart 'stillwell@*.service' stillwell-page.service || true
        return
    elif said="$("$current/venv/bin/stillwell" check --config "$settings" 2>&1)"; then
        if service; then
            systemctl enable --quiet --now stillwell.service || return 1
            say "it watches, from now on and after each start of this machine."
        else
            say "no running systemd here: the unit is in place, nothing was started."
        fi
        return
    else
        echo "$said"
        say "nothing watches yet: see above. What is left to do:"
    fi
    say "  sudo stillwell check                             # until nothing is left to fix"
    say "  sudo systemctl enable --now stillwell            # it watches then, also after a restart"
}

# Whoever installs it may look, note and answer without sudo.
let_in() {
    local keeper="${SUDO_USER:-root}"
    if [[ -n $root || $keeper == root ]]; then
        say "To look, note and answer without sudo: sudo adduser NAME stillwell, then log in again as NAME."
    elif [[ " $(id -nG "$keeper") " != *" stillwell "* ]]; then
        usermod --append --groups stillwell "$keeper"
        say "$keeper is in the group stillwell now. Log in again: then stillwell needs no sudo."
    fi
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
try_release "$release"
trap - EXIT
switch_to "$release"
install_files
say "installed in $release"
let_in
if ! start; then
    say "the new program does not come up; this says why: journalctl -u stillwell" >&2
    if [[ -e $current/previous ]]; then
        roll_back
    fi
    exit 1
fi
tidy
rm -rf "$home/venv" "$home/share" # where the program was before there were releases
