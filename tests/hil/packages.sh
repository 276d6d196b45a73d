#!/usr/bin/env bash
# The Debian packages, tried on fresh systems: Debian 12 and 13 of this machine's architecture, then of arm64
# in emulation. Needs root, Debian, a network to fetch the systems once, and .venv as tests/run.sh makes it.
#   tests/hil/packages.sh                     all of it; a line a check; fails when one fails
#   tests/hil/packages.sh trixie-arm64        only on this one (bookworm, trixie; amd64, arm64)
#   tests/hil/packages.sh --make DIR [ARCH]   only makes the packages of this version and of a later one, in DIR
#   tests/hil/packages.sh --fetch trixie-amd64  only makes such systems, where they are not kept yet
# STILLWELL_PACKAGES=DIR tries those that --make has put there.
# The systems are kept in ~/.cache/stillwell-hil/deb-*. They have no network while anything is installed.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
here="$PWD"
cache="${XDG_CACHE_HOME:-$HOME/.cache}/stillwell-hil"
mirror="${STILLWELL_MIRROR:-http://deb.debian.org/debian}"
machine="$(dpkg --print-architecture)"
# An emulated arm64 is the processor of a Pi Zero 2 W: what needs a newer one fails, and it does not spend
# most of its time on signing return addresses, as the emulation of the newest processor does.
processor=cortex-a53
declare -A machines=([amd64]=x86_64 [arm64]=aarch64)
export DPKG_DEB_COMPRESSOR_TYPE=none # packing takes minutes, and is not what is tried

version="$(sed -n 's/^__version__ = "\(.*\)"$/\1/p' daemon/stillwell/__init__.py)"
later="${version%.*}.$((${version##*.} + 1))"
schema=$(find daemon/stillwell/store/schema -name '[0-9]*.sql' | wc -l)

# Makes the packages of these sources and of a later version, which has one migration more.
make_versions() {
    local folder="$1" architecture="$2" each sources versions=("$version" "$later")
    [[ $architecture == "$machine" || ${mode:-} == --make ]] || versions=("$version")
    mkdir -p "$folder"
    exec 8>"$folder/making"
    flock 8 # somebody else may need the same
    for each in "${versions[@]}"; do
        [[ ! -e $folder/stillwell_${each}_$architecture.deb ]] || continue
        sources="$folder/sources"
        rm -rf "$sources"
        mkdir "$sources"
        git ls-files -z | xargs -0 cp --parents -t "$sources"
        ln -s "$here/.venv" "$sources/.venv"
        git describe --always --abbrev=12 '--exclude=*' >"$sources/daemon/stillwell/cli/built_from.txt"
        if [[ $each == "$later" ]]; then
            sed -i "s/^__version__ = .*/__version__ = \"$later\"/" "$sources/daemon/stillwell/__init__.py"
            sed -i "0,/^## /s/^## /## $later (2026-11-30)\n\n- A later version.\n\n## /" "$sources/deploy/CHANGELOG.md"
            printf 'CREATE TABLE later (x);\n' \
                >"$sources/daemon/stillwell/store/schema/$(printf %04d $((schema + 1)))_later.sql"
        fi
        DEBFULLNAME="$(git log -1 --format=%an)" DEBEMAIL="$(git log -1 --format=%ae)" \
            "$sources/deploy/build.sh" "$architecture" >"$folder/build-$each.log"
        mv "$sources/dist/"*.deb "$folder/"
        rm -rf "$sources"
    done
    exec 8>&-
}

# Tells the kernel how to start another architecture's programs, where no systemd has done so.
emulate() {
    local formats=/proc/sys/fs/binfmt_misc emulator="qemu-${machines[$1]}"
    if [[ $1 == "$machine" || -e $formats/$emulator ]]; then return; fi
    mountpoint -q "$formats" || mount -t binfmt_misc binfmt_misc "$formats"
    # The other suite's run may do the same at this moment.
    cat "/usr/lib/binfmt.d/$emulator.conf" >"$formats/register" || [[ -e $formats/$emulator ]]
}

# A fresh system, and what stillwell's package asks for of Debian's, fetched and not installed.
make_system() {
    local system="$1" release="${1%-*}" architecture="${1#*-}" base="$cache/deb-$1" more=()
    # Installed once: emulated it takes minutes, and is Debian's own.
    [[ $architecture == "$machine" ]] || more=("--include=python3 systemd libjs-dygraphs")
    emulate "$architecture"
    if [[ ! -d $base ]]; then
        echo "fetching $system"
        rm -rf "$base.part"
        QEMU_CPU=$processor mmdebstrap --mode=root --variant=minbase --skip=check/qemu --architectures="$architecture" \
            "${more[@]}" "$release" "$base.part" "$mirror" >"$base.log" 2>&1 || {
            tail -n 5 "$base.log" >&2
            exit 1
        }
        mv "$base.part" "$base"
    fi
    root="$work/$system"
    rm -rf "$root"
    cp -a "$base" "$root"
    mkdir "$root/packages"
    if [[ ! -e $base.fetched ]]; then
        cp /etc/resolv.conf "$root/etc/"
        net=()
        inside 'apt-get -qq update && apt-get -qq install -y --download-only python3 systemd libjs-dygraphs' >/dev/null
        net=(--net)
        cp -a "$root/var/cache/apt/." "$base/var/cache/apt/"
        cp -a "$root/var/lib/apt/." "$base/var/lib/apt/"
        touch "$base.fetched"
    fi
}

# One with the packages that are tried.
fresh_system() {
    local architecture="${1#*-}"
    make_system "$1"
    cp "$packages"/*_"$architecture.deb" "$root/packages/"
    echo force-unsafe-io >"$root/etc/dpkg/dpkg.cfg.d/unsafe-io" # no power is cut here
}

net=(--net) # without a network, but for who says otherwise
inside() {
    unshare "${net[@]}" --mount --pid --fork --mount-proc="$root/proc" \
        chroot "$root" env -i QEMU_CPU=$processor PATH=/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LC_ALL=C.UTF-8 sh -c "cd /packages; $1" </dev/null 2>&1
}

failed=0
said=""
passes() { # NAME COMMAND…
    local name="$1" begun=$SECONDS
    shift
    if said="$("$@" 2>&1)"; then
        printf 'ok    %-15s %s (%s s)\n' "$system" "$name" $((SECONDS - begun))
    else
        printf 'FAIL  %-15s %s\n' "$system" "$name"
        tail -n 25 <<<"$said" | sed 's/^/        /'
        failed=$((failed + 1))
    fi
}
check() { passes "$1" inside "$2"; } # NAME COMMAND, in the system
refused() { # NAME COMMAND WORDS: it fails, and says these words
    check "$1" "if $2; then exit 1; fi >/tmp/said 2>&1; cat /tmp/said; tr -s ' \n' ' ' </tmp/said | grep -q '$3'"
}

ours="/packages/stillwell_${version}_"
newer="/packages/stillwell_${later}_"
python=/opt/stillwell/current/venv/bin/python
settings=/etc/stillwell/stillwell.toml
store=/var/lib/stillwell/tank.db
own="printf '%s\n' '[tank]' 'name = \"trial\"' 'volume = \"68 L\"' 'zone = \"Europe/Dublin\"' \
 '[store]' 'path = \"$store\"' '[source.tank]' 'driver = \"simulated\"' '[source.tank.channels]' \
 'water-a = { sees = \"water\" }' '[channel.water-a]' 'quantity = \"temperature\"' '# mine' >$settings"
opens="setpriv --reuid stillwell --regid stillwell --clear-groups $python -c \
 'import sys; from stillwell.store import Store; Store.open(sys.argv[1]).close()' $store"
is_version() { echo "stillwell --version | grep -q '^stillwell $1 (commit '"; }
# How much memory the largest process took, and how long it all took.
measured() {
    echo "cat >/tmp/m.py <<'P'
import resource, subprocess, sys, time
t = time.monotonic(); code = subprocess.call(sys.argv[1:], stdout=subprocess.DEVNULL)
print(f'{time.monotonic() - t:.0f} s, largest process {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.0f} MB')
sys.exit(code)
P
python3 /tmp/m.py $1"
}

try_out() {
    local system="$1" architecture="${1#*-}"
    fresh_system "$system"
    check "python3 and systemd, from Debian" "apt-get install -y --no-install-recommends python3 systemd"
    check "apt install, with no network" "$(measured "apt-get install -y ${ours}$architecture.deb")"
    echo "      $system: $(tail -n 1 <<<"$said"), on the disk $(du -sm "$root/opt/stillwell" | cut -f 1) MB," \
        "package $(du -m "$packages/stillwell_${version}_$architecture.deb" | cut -f 1) MB uncompressed"
    check "says its version and commit" "$(is_version "$version") && ! stillwell --version | grep -q unknown"
    check "what dpkg owns is as it came" "test -z \"\$(dpkg --verify stillwell)\""
    check "compiled for this Python" "test -n \"\$(find /opt/stillwell/current/venv/lib/\$(readlink -f $python | grep -o 'python3.*')/site-packages/stillwell/cli/__pycache__ -name 'main.*.pyc')\""
    passes "carries what the lock pins, byte for byte" .venv/bin/python tests/hil/carried.py \
        "$root/opt/stillwell/package" "${machines[$architecture]}"
    check "the example's settings are good" "stillwell check --settings"
    check "simulate, today, heater" "stillwell simulate --config /opt/stillwell/current/share/config/reading-room-simulated.toml --store /tmp/s.db --days 1 && { stillwell today --config /opt/stillwell/current/share/config/reading-room-simulated.toml --store /tmp/s.db || test \$? = 3; }"
    check "export and replay" "stillwell export --store /tmp/s.db --config /opt/stillwell/current/share/config/reading-room-simulated.toml --format trace -o /tmp/t.csv && stillwell replay --config /opt/stillwell/current/share/config/reading-room-simulated.toml -r /tmp/t.csv -s /tmp/r.db"
    if [[ $architecture != "$machine" ]]; then return; fi

    # Updated, taken back and refused is what vm/test_by_package.py tries, where a service runs.
    check "the keeper's settings pass" "$own && $opens && stillwell check --settings"
    check "reinstalled, they are kept" "apt-get install -y --reinstall ${ours}$architecture.deb && grep -q '^# mine' $settings"
    check "by dpkg-reconfigure too" "dpkg-reconfigure stillwell && $(is_version "$version")"
    refused "settings that a new version can't take stop it" "sed -i 's/simulated/nosuch/' $settings; apt-get install -y ${newer}$architecture.deb" "dpkg --configure stillwell"
    check "the version before watches on" "$(is_version "$version")"
    check "put right, it is configured" "sed -i 's/nosuch/simulated/' $settings; dpkg --configure stillwell && $(is_version "$later")"
    mkdir "$root/sources"
    cp -a deploy "$root/sources/"
    refused "install.sh is refused beside it" "bash /sources/deploy/install.sh" "as a Debian package here"
    check "removed, what the keeper wrote stays" "apt-get remove -y stillwell && test ! -e /opt/stillwell && test ! -e /usr/bin/stillwell && grep -q '^# mine' $settings && test -s $store"
    check "purged without a question, it stays too" "DEBIAN_FRONTEND=readline apt-get purge -y stillwell && grep -q '^# mine' $settings && test -s $store && test -z \"\$(find /usr /opt /etc/systemd /var/lib/systemd -path '*stillwell*')\""
    check "installed again, it goes on with them" "apt-get install -y ${newer}$architecture.deb && $(is_version "$later") && grep -q '^# mine' $settings"
    check "purged with an example that nobody edited, nothing is left" "rm -r $settings /var/lib/stillwell && dpkg-reconfigure stillwell && apt-get purge -y stillwell && test ! -e /etc/stillwell && test ! -e /var/lib/stillwell"
    refused "beside an installation from the sources it is refused" "mkdir -p /opt/stillwell/current; apt-get install -y ${ours}$architecture.deb" "install.sh --remove"
}

# The README's own commands, with a network: on a system with nothing of ours, as a person would.
try_readme() {
    local system="$1"
    fresh_system "$system"
    mkdir "$root/stillwell"
    git ls-files -z | xargs -0 cp --parents -t "$root/stillwell"
    cp /etc/resolv.conf "$root/etc/"
    net=()
    cp "${PIP_CERT:-/etc/ssl/certs/ca-certificates.crt}" "$root/certificates"
    check "README: try.sh" "export PIP_CERT=/certificates PIP_DEFAULT_TIMEOUT=180; cd /stillwell && deploy/try.sh --fault not-heating"
    check "README: install.sh" "export PIP_CERT=/certificates PIP_DEFAULT_TIMEOUT=180; apt-get install -y --no-install-recommends systemd && cd /stillwell && deploy/install.sh && stillwell --version"
    net=(--net)
}

scratch="$(mktemp -d /var/tmp/stillwell-packages-XXXX)"
packages="${STILLWELL_PACKAGES:-$scratch}"
work="$scratch/systems"
trap 'rm -rf "$scratch"' EXIT
mode="${1:-}"
if [[ $mode == --make ]]; then
    make_versions "$2" "${3:-$machine}"
    exit
fi
[[ $EUID -eq 0 ]] || { echo "this needs root: it makes systems and starts programs in them" >&2; exit 1; }
mkdir -p "$work" "$cache"
if [[ $mode == --fetch ]]; then
    for system in "${@:2}"; do
        if [[ ! -e $cache/deb-$system.fetched ]]; then
            make_system "$system"
            rm -rf "${root:?}"
        fi
    done
    exit
fi
systems=("$@")
(($#)) || systems=("bookworm-$machine" "trixie-$machine" bookworm-arm64 trixie-arm64)
for system in "${systems[@]}"; do
    make_versions "$packages" "${system#*-}"
    try_out "$system"
    rm -rf "${root:?}"
    if [[ ${system#*-} == "$machine" ]]; then
        try_readme "$system"
        rm -rf "${root:?}"
    fi
done
if ((failed)); then
    echo "$failed failed"
    exit 1
fi
echo "all passed"
