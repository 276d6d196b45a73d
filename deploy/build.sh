#!/usr/bin/env bash
# Makes what is released: a wheel, a source archive, and a Debian package an architecture, in dist/; prints
# the release notes.
#   deploy/build.sh                   for amd64 and arm64
#   deploy/build.sh arm64             for this one
# Needs dpkg-deb, and .venv as tests/run.sh sets it up. The packages of requirements.lock are fetched, each
# held against its hash; UV_OFFLINE=1 takes them from uv's cache alone. Packing takes minutes;
# DPKG_DEB_COMPRESSOR_TYPE=none does without, for a trial. Who hands packages on sets DEBFULLNAME and DEBEMAIL,
# as for Debian's own tools: the package names them as its maintainer. Without them it is the last commit's author.
#
# One package is for Debian 12 and 13: it carries everything for both Pythons. What is the same for both is
# one file with two names. Nothing is fetched or built where it is installed.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
umask 022
. deploy/release.sh

python=.venv/bin/python
pythons=(3.11 3.13) # Debian 12, Debian 13
architectures=("$@")
(($#)) || architectures=(amd64 arm64)

declare -A machines=([amd64]=x86_64 [arm64]=aarch64)
for architecture in "${architectures[@]}"; do
    [[ -n ${machines[$architecture]:-} ]] || fail "unknown architecture $architecture. Known: ${!machines[*]}"
done
if [[ ! -x .venv/bin/uv ]] || ! "$python" -c 'import hatchling, wheel'; then
    fail "there is no .venv with all that builds here. tests/run.sh sets it up."
fi

# Whom Debian's tools name for the package.
maintainer="$(git log -1 --format='%an <%ae>' 2>/dev/null || true)"
if [[ -n ${DEBEMAIL:-} ]]; then
    maintainer="${DEBFULLNAME:-${DEBEMAIL%@*}} <$DEBEMAIL>"
fi
[[ -n $maintainer ]] || fail "this is no git repository, so nobody is known who answers for the package." \
    "Set DEBEMAIL, and DEBFULLNAME: export DEBEMAIL=you@example.org DEBFULLNAME=You"

version="$("$python" -m hatchling version)"
schema=$(find daemon/stillwell/store/schema -name '[0-9]*.sql' | wc -l)
# The section of this version, without its head.
notes="$(awk -v head="## $version (" '/^## / { inside = index($0, head) == 1; next } inside' deploy/CHANGELOG.md)"
date="$(sed -n "s/^## $version (\([0-9-]*\))\$/\1/p" deploy/CHANGELOG.md)"
[[ -n $date ]] || fail "deploy/CHANGELOG.md has no section \"## $version (YEAR-MONTH-DAY)\". Write what changed."
# So that the same sources make the same files.
SOURCE_DATE_EPOCH="$(date -u -d "$date" +%s)"
export SOURCE_DATE_EPOCH

rm -rf build/packages
mkdir -p build/packages dist
"$python" -m hatchling build -d build/packages/ours >build/packages/log 2>&1 || { cat build/packages/log >&2; exit 1; }
mv build/packages/ours/* dist/
wheel="dist/stillwell-$version-py3-none-any.whl"

# The change log as Debian has it.
debian_changelog() {
    awk -v who="$maintainer" '
        function ends() { if (open) printf "\n -- %s  %s\n\n", who, stamp }
        /^## / {
            ends(); open = 1; day = substr($3, 2, 10)
            ("date -u -R -d " day) | getline stamp
            printf "stillwell (%s) stable; urgency=medium\n\n", $2
        }
        open && /^- / {
            line = "  *"
            for (i = 2; i <= NF; i++) {
                if (length(line " " $i) > 78) { print line; line = "   " }
                line = line " " $i
            }
            print line
        }
        END { ends() }' deploy/CHANGELOG.md
}

# The packages of the lock, pip for what the keeper adds, and ours, for one machine and one Python.
fetch() {
    local machine="$1" wanted="$2" site="$3" uv
    uv=(.venv/bin/uv pip install --quiet --no-config --python "$python" --target "$site" --link-mode copy
        --python-platform "$machine-manylinux_2_28" --python-version "$wanted")
    # psychrolib has no wheel; it is Python alone, and built by what build.lock pins.
    "${uv[@]}" --default-index https://pypi.org/simple --require-hashes --only-binary :all: --no-binary psychrolib \
        --no-build-isolation-package psychrolib -r requirements.lock -r build/packages/pip.lock
    "${uv[@]}" --no-deps --no-index "$wheel"
    rm -rf "${site:?}/bin" "$site/share" "$site/.lock"
}

# What is the same for both Pythons lies there once.
share_files() {
    "$python" - "$@" <<'PYTHON'
import filecmp
import os
import sys
from pathlib import Path

first, second = map(Path, sys.argv[1:])
for path in second.rglob("*"):
    same = first / path.relative_to(second)
    if path.is_file() and same.is_file() and filecmp.cmp(path, same, shallow=False):
        path.unlink()
        os.link(same, path)
PYTHON
}

control() {
    cat <<END
Package: stillwell
Version: $version
Architecture: $1
Maintainer: $maintainer
Installed-Size: $(du -sk "$2" | cut -f 1)
Pre-Depends: init-system-helpers (>= 1.54~)
Depends: python3 (>= 3.11), python3 (<< 3.12) | python3 (>= 3.13), python3 (<< 3.14), libc6 (>= 2.28), libgcc-s1, libstdc++6, systemd | systemd-standalone-sysusers, systemd | systemd-standalone-tmpfiles
Recommends: libjs-dygraphs
Suggests: caddy, mosquitto
Section: science
Priority: optional
Description: sensor logger and alert daemon for a small saltwater tank
 stillwell watches a small saltwater tank from a Raspberry Pi. It reads
 temperature probes, float switches and level gauges, keeps every reading,
 tells trouble in the water from trouble with a sensor, and calls a person
 when one is needed. It switches nothing and moves no water.
END
}

copyright() {
    cat <<END
Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/

Files: *
Copyright: 2026, the authors of stillwell
License: Apache-2.0

Files: opt/stillwell/package/venv/lib/*
Copyright: their authors, as in the folder *.dist-info of each
License: as in the folder *.dist-info of each

License: Apache-2.0
 On Debian systems the text is in /usr/share/common-licenses/Apache-2.0.
END
}

package() {
    local architecture="$1" tree="build/packages/$1" payload units script wanted
    payload="$tree/opt/stillwell/package"
    units="$tree/usr/lib/systemd/system"
    mkdir -p "$tree/DEBIAN" "$payload/venv/bin" "$units" "$tree/usr/bin" "$tree/usr/share/doc/stillwell"
    for wanted in "${pythons[@]}"; do
        fetch "${machines[$architecture]}" "$wanted" "$payload/venv/lib/python$wanted/site-packages"
    done
    share_files "${pythons[@]/#/$payload/venv/lib/python}"
    ln -s /usr/bin/python3 "$payload/venv/bin/python"
    ln -s python "$payload/venv/bin/python3"
    printf 'home = /usr/bin\ninclude-system-site-packages = false\n' >"$payload/venv/pyvenv.cfg"
    # The package's postinst gives each release its own first line.
    printf '#!/opt/stillwell/current/venv/bin/python\nimport sys\n\nfrom stillwell.cli.main import main\n\nsys.exit(main())\n' \
        >"$payload/venv/bin/stillwell"
    chmod 0755 "$payload/venv/bin/stillwell"
    lay_out "$payload"
    install -m 0644 -t "$payload" deploy/release.sh

    ln -s /opt/stillwell/current/venv/bin/stillwell "$tree/usr/bin/stillwell"
    install -D -m 0755 -t "$tree/usr/sbin" deploy/debian/stillwell-rollback
    install -m 0644 -t "$units" deploy/systemd/*.service deploy/systemd/*.socket
    unit_of_more_tanks deploy/systemd/stillwell.service >"$units/stillwell@.service"
    install -D -m 0644 deploy/systemd/stillwell.sysusers "$tree/usr/lib/sysusers.d/stillwell.conf"
    install -D -m 0644 deploy/systemd/stillwell.tmpfiles "$tree/usr/lib/tmpfiles.d/stillwell.conf"
    install -D -m 0644 -t "$tree/usr/lib/udev/rules.d" deploy/systemd/99-stillwell.rules
    install -D -m 0755 deploy/debian/rtupdate "$tree/usr/share/python3/runtime.d/stillwell.rtupdate"
    install -D -m 0644 deploy/debian/lintian-overrides "$tree/usr/share/lintian/overrides/stillwell"
    copyright >"$tree/usr/share/doc/stillwell/copyright"
    debian_changelog | gzip -9n >"$tree/usr/share/doc/stillwell/changelog.gz"

    (cd "$tree" && find . -path ./DEBIAN -prune -o -type f -printf '%P\0' | sort -z | xargs -0 md5sum) >"$tree/DEBIAN/md5sums"
    control "$architecture" "$tree" >"$tree/DEBIAN/control"
    for script in preinst postinst prerm postrm; do
        sed -e "s|@SCHEMA@|$schema|" -e "s|@VERSION@|$version|" "deploy/debian/$script" >"$tree/DEBIAN/$script"
        chmod 0755 "$tree/DEBIAN/$script"
    done
    dpkg-deb --root-owner-group --build "$tree" "dist/stillwell_${version}_$architecture.deb" >/dev/null
    rm -rf "$tree"
}

sed -n '/^pip==/,/[^\\]$/p' build.lock >build/packages/pip.lock
packages=()
for architecture in "${architectures[@]}"; do
    package "$architecture"
    packages+=("stillwell_${version}_$architecture.deb")
done
rm -rf build/packages

echo "stillwell $version, of commit $("$python" -c 'import runpy
print(runpy.run_path("daemon/stillwell/cli/built_from.py")["commit"]())')"
echo "$notes"
(cd dist && sha256sum "stillwell-$version-py3-none-any.whl" "stillwell-$version.tar.gz" \
    "${packages[@]}")
