# shellcheck shell=dash
# Releases side by side under /opt/stillwell, of which a link names the one in use: for install.sh, which
# makes one from the sources, and for the Debian package, which brings one along. Read by both:
#   . deploy/release.sh          # root names a folder to stage everything below, where it is set
# A release is complete and tried before one rename of the link switches to it. Killed at any moment, this
# leaves the one release or the other in use, and a second run puts the rest right.

root="${root:-}"
home="$root/opt/stillwell"
releases="$home/releases"
current="$home/current"
etc="$root/etc/stillwell"
settings="$etc/stillwell.toml"
packages="$etc/packages.txt"
steps="$root/etc/systemd/system/stillwell.service.d/10-restart-steps.conf"
lock="$root/run/lock/stillwell-install"
again="run this again" # what to do once something has been put right

say() { echo "stillwell: $*"; }
fail() {
    echo "stillwell: $*" >&2
    exit 1
}

# Whether a systemd is running here that we may speak to.
service() { [ -z "$root" ] && [ -d /run/systemd/system ]; }

# In a container there is none to reload.
reload_udev() { [ ! -S /run/udev/control ] || udevadm control --reload || true; }

# Whether the service has been started for good.
begun() { service && systemctl is-enabled --quiet stillwell.service 2>/dev/null; }

# The package starts its service as Debian's packages do.
restart_service() { systemctl restart stillwell.service; }
enable_service() { systemctl enable --quiet --now stillwell.service; }

# The services that watch just now: the usual one, and one for each further tank.
watching() {
    systemctl list-units --plain --no-legend --state=active stillwell.service 'stillwell@*.service' | awk '{ print $1 }'
}

# Whether the settings are the keeper's, and not still the example of a release: that one names the sensors
# of another tank, which have no business in this one's readings.
own_settings() {
    local example
    for example in "$releases"/*/share/config/stillwell.toml; do
        if cmp --quiet "$settings" "$example"; then return 1; fi
    done
}

# Held until this ends, however it ends.
alone() {
    mkdir -p "$(dirname "$lock")"
    exec 9>"$lock"
    flock --nonblock 9 || fail "another install.sh is at work. Wait until it has ended, then $again."
}

# A link, replaced at one stroke: at no moment is there none.
link() {
    ln -sfn "$1" "$2.new"
    mv -fT "$2.new" "$2"
}

# What a release holds beside the program. Where the texts point to each other, they do so from the same
# places as in the sources, which is where this must be called.
lay_out() {
    install -D -m 0644 -t "$1/share" README.md
    install -D -m 0644 -t "$1/share/config" config/*
    install -D -m 0644 -t "$1/share/deploy" deploy/README.md deploy/CHANGELOG.md deploy/Caddyfile
    install -D -m 0644 -t "$1/share/daemon" daemon/HOW-IT-KNOWS.md
    install -D -m 0644 -t "$1/systemd" deploy/systemd/*
}

# Prints the unit of each further tank: the same service with a configuration of its own.
unit_of_more_tanks() {
    sed -e 's|^Description=.*|Description=stillwell: watches the tank %i and warns|' \
        -e 's|/etc/stillwell/stillwell.toml|/etc/stillwell/tanks/%i.toml|' \
        -e 's|^\(LoadCredential=stillwell:\).*|\1/etc/stillwell/tanks/%i.credentials|' "$1"
}

# Makes the folder of a new release, which goes again where this ends before the release is in use.
new_release() {
    mkdir -p "$releases"
    release="$(mktemp -d "$releases/$(date -u +%Y%m%dT%H%M%SZ)-XXXX")"
    trap 'rm -rf "$release"' EXIT
    chmod 0755 "$release"
    say "making $release"
}

# What the keeper adds to each release, such as a driver of their own; what is there already stays as it is.
add_own_packages() {
    [ -e "$packages" ] || return 0
    say "installing the packages that $packages names"
    "$release/venv/bin/python" -m pip freeze --exclude stillwell >"$release/constraints.txt"
    "$release/venv/bin/python" -m pip install --quiet --disable-pip-version-check \
        --requirement "$packages" --constraint "$release/constraints.txt" ||
        fail "what $packages names could not be installed. Nothing was changed. Put it right, then $again."
}

# Compiles a release for this machine's Python: the service may write nothing there. A quarter of it all
# is what neither the service nor a command imports.
compile() {
    nice "$1/venv/bin/python" -c 'import compileall, re, sysconfig
compileall.compile_dir(sysconfig.get_path("purelib"), quiet=2, rx=re.compile("/(tests/|pip/|pygments/lexers/[a-z])"))'
}

# Which one is in use before it: what roll_back goes back to, switched by the same rename.
remember_previous() {
    if [ -e "$current" ]; then
        ln -s "../$(basename "$(readlink "$current")")" "$release/previous"
    fi
}

# Whether the release can do the keeper's work; fails with what is wrong otherwise.
try_release() {
    local said each
    "$1/venv/bin/stillwell" --version >/dev/null || fail "the program in $1 does not start. Nothing was changed."
    for each in "$settings" "$etc"/tanks/*.toml; do
        [ -e "$each" ] || continue
        if ! said="$("$1/venv/bin/stillwell" check --settings --config "$each" 2>&1)"; then
            echo "$said" >&2
            fail "that program can't work with $each as it is: see above. Nothing was changed, the program in" \
                "use stays. Put it right, then $again. (A driver or sink of your own comes along when a" \
                "line of $packages names its package.)"
        fi
    done
}

switch_to() {
    # On the disk before the switch, and the switch before the program starts: a power cut may come.
    sync --file-system "$home"
    link "releases/$(basename "$1")" "$current"
    sync --file-system "$home"
}

# A file of the release in use, where there is one, replaced at one stroke.
place() {
    [ -e "$current/systemd/$1" ] || return 0
    install -D -m 0644 "$current/systemd/$1" "$2.new"
    mv -f "$2.new" "$2"
}

# Pauses that grow, for the systemd that knows them.
place_steps() {
    if [ "$(systemctl --version 2>/dev/null | awk 'NR == 1 { v = $2 } END { print v + 0 }')" -ge 254 ]; then
        place restart-steps.conf "$steps"
    fi
}

# The settings of the reading room's tank, for a keeper to make their own.
place_example() {
    if [ -e "$settings" ] && own_settings; then return; fi
    install -m 0640 "$current/share/config/stillwell.toml" "$settings.new"
    [ -n "$root" ] || chgrp stillwell "$settings.new"
    mv "$settings.new" "$settings"
}

# Keeps the release in use and the one before it; what is left of one that was cut off goes.
tidy() {
    local each
    for each in "$releases"/*; do
        if [ ! "$each" -ef "$current" ] && [ ! "$each" -ef "$current/previous" ]; then
            rm -rf "$each"
        fi
    done
}

roll_back() {
    local kept each
    kept="$(readlink -f "$current/previous" || true)"
    [ -d "$kept" ] || fail "no earlier release is kept here. Nothing was changed."
    try_release "$kept"
    units="" # not local: the trap looks at it when this function is over
    if service; then units="$(watching)"; fi
    if begun; then units="stillwell.service $units"; fi
    if [ -n "$units" ]; then
        # Whatever happens from here, somebody watches.
        # shellcheck disable=SC2086  # several names
        trap 'systemctl start $units' EXIT
        # shellcheck disable=SC2086
        systemctl stop $units
    fi
    for each in "$settings" "$etc"/tanks/*.toml; do
        [ -e "$each" ] || continue
        "$kept/venv/bin/python" -m stillwell.cli.give_back "$each" ||
            fail "the earlier release can't use the store of $each: see above. The program in use stays."
    done
    switch_to "$kept"
    install_files
    start
    # shellcheck disable=SC2086
    if [ -n "$units" ]; then systemctl start $units; fi
    say "back at $kept. What was in use until now stays beside it until the next update."
}

# Fails when the service is to run and does not come up.
start() {
    local said
    if service; then
        reload_udev
        udevadm trigger --subsystem-match=gpio --subsystem-match=w1 || true
        systemctl daemon-reload
    fi
    if ! own_settings; then
        if begun; then systemctl disable --quiet --now stillwell.service; fi
        say "nothing watches yet. $settings describes a reading room's tank. What is left to do:"
        say "  sudo stillwell init                              # asks about your tank, finds its sensors, starts it"
        return
    elif begun; then
        # What watches goes on watching, whatever a check would find now.
        restart_service || return 1
        systemctl try-restart 'stillwell@*.service' stillwell-page.service || true
        return
    elif said="$("$current/venv/bin/stillwell" check --config "$settings" 2>&1)"; then
        if service; then
            enable_service || return 1
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
    if [ -n "$root" ] || [ "$keeper" = root ]; then
        say "To look, note and answer without sudo: sudo adduser NAME stillwell, then log in again as NAME."
        return
    fi
    case " $(id -nG "$keeper") " in
        *" stillwell "*) ;;
        *)
            usermod --append --groups stillwell "$keeper"
            say "$keeper is in the group stillwell now. Log in again: then stillwell needs no sudo."
            ;;
    esac
}

# Switches to the release that was made, and back where it does not come up.
put_in_use() {
    try_release "$release"
    trap - EXIT
    switch_to "$release"
    install_files
    say "installed in $release"
    let_in
    if ! start; then
        say "the new program does not come up; this says why: journalctl -u stillwell" >&2
        if [ -e "$current/previous" ]; then
            roll_back
        fi
        exit 1
    fi
    tidy
}
