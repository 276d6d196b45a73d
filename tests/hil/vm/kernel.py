"""Debian's own kernel for a virtual machine, with the modules that simulate a tank's hardware:
gpio-sim, which Debian does not build, from the source of the same kernel, and our 1-Wire master.

    python tests/hil/vm/kernel.py [bookworm|trixie]
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import debian

HERE = Path(__file__).parent
PACKAGES = (
    *("linux-image-amd64", "linux-headers-amd64", "linux-source", "initramfs-tools"),
    *("gcc", "make", "xz-utils"),
)
IN_INITRD = ("virtio_pci", "virtio_blk", "ext4", "crc32c_generic")
NEVER_NEEDED = (
    "sound",
    "drivers/ata",
    "drivers/gpu",
    "drivers/infiniband",
    "drivers/isdn",
    "drivers/media",
    "drivers/mtd",
    "drivers/net/ethernet",
    "drivers/net/wireless",
    "drivers/scsi",
    "drivers/staging",
    "net/mac80211",
    "net/wireless",
)
"""Folders of modules that would only fill the guest's disk."""
BUILD = r"""
set -euo pipefail
cd /root
version=$(ls /lib/modules)
headers=/lib/modules/$version/build
tar -xJf /usr/src/linux-source-*.tar.xz --wildcards --strip-components=1 \
    '*/drivers/gpio/gpio-sim.c' '*/drivers/gpio/gpiolib.h' '*/kernel/irq/irq_sim.c' \
    '*/scripts/extract-vmlinux'
mkdir -p gpio w1
mv drivers/gpio/gpio-sim.c drivers/gpio/gpiolib.h kernel/irq/irq_sim.c gpio/
# The kernel does not export irq_to_desc() to modules, and irq_sim is no module of its own.
sed -i 's/handle_simple_irq(irq_to_desc(irqnum));/generic_handle_irq(irqnum);/' gpio/irq_sim.c
printf 'obj-m := gpio-simulator.o\ngpio-simulator-y := gpio-sim.o irq_sim.o\n' >gpio/Makefile
make -C "$headers" M=/root/gpio modules
mkdir -p "/lib/modules/$version/extra"
cp gpio/gpio-simulator.ko "/lib/modules/$version/extra/"
if [[ -e /root/w1_simulated.c ]]; then
    mv w1_simulated.c w1/
    printf 'obj-m := w1_simulated.o\n' >w1/Makefile
    make -C "$headers" M=/root/w1 modules
    cp w1/w1_simulated.ko "/lib/modules/$version/extra/"
fi
rm -f "/lib/modules/$version/build" "/lib/modules/$version/source"
(cd "/lib/modules/$version/kernel" && rm -rf "$@")
# Unpacked here: the emulated processor would take ten times as long, at each boot.
find "/lib/modules/$version" -name '*.ko.xz' -exec unxz {} +
depmod "$version"
{
    bash scripts/extract-vmlinux "/boot/vmlinuz-$version" >"/boot/vmlinux-$version" &&
        readelf --notes "/boot/vmlinux-$version" | grep -c Xen # QEMU starts it by such a note
} || cp "/boot/vmlinuz-$version" "/boot/vmlinux-$version"
sed -i 's/^MODULES=.*/MODULES=list/' /etc/initramfs-tools/initramfs.conf
# What it loads is named, and the kernel makes the node of its disk: udev would only take seconds.
rm /usr/share/initramfs-tools/{hooks,scripts/init-{top,bottom}}/udev
update-initramfs -c -k "$version"
"""


def kernel(suite: str) -> Path:
    """Returns a folder with vmlinux, initrd.img and lib/modules; makes it when it isn't there."""
    source = HERE / "w1_simulated.c"
    recipe = BUILD + " ".join(PACKAGES + IN_INITRD + NEVER_NEEDED)
    recipe += source.read_text(encoding="utf-8") if source.exists() else ""
    asked = hashlib.sha256(recipe.encode()).hexdigest()[:8]
    return debian.made_once(
        debian.CACHE / f"kernel-{suite}-{asked}", lambda part: _make(suite, part)
    )


def _make(suite: str, part: Path) -> None:
    build = part.with_suffix(".build")
    try:
        _build_root(suite, build)
        for name in ("w1_simulated.c",):
            if (HERE / name).exists():
                shutil.copy2(HERE / name, build / "root" / name)
        modules = build / "etc" / "initramfs-tools" / "modules"
        modules.write_text("\n".join(IN_INITRD) + "\n")
        (build / "root" / "build.sh").write_text(BUILD)
        debian.call("chroot", str(build), "bash", "/root/build.sh", *NEVER_NEEDED)
        (part / "lib").mkdir(parents=True)
        for name in ("vmlinux", "initrd.img"):
            shutil.copy2(next((build / "boot").glob(f"{name}-*")), part / name)
        shutil.copytree(build / "lib" / "modules", part / "lib" / "modules", symlinks=True)
    finally:
        debian.remove(build)


def _build_root(suite: str, build: Path) -> None:
    """A root with kernel, headers and compiler, kept as an archive: the modules change oftener."""
    asked = hashlib.sha256(" ".join(PACKAGES).encode()).hexdigest()[:8]
    archive = debian.CACHE / f"kernel-build-{suite}-{asked}.tar"
    debian.remove(build)
    if not archive.exists():
        debian.bootstrap(suite, build, PACKAGES)
        draft = archive.with_suffix(".part")
        debian.call("tar", "--one-file-system", "-C", str(build), "-cf", str(draft), ".")
        draft.rename(archive)
    else:
        build.mkdir(parents=True)
        debian.call("tar", "-C", str(build), "-xf", str(archive))


def main(argv: Sequence[str]) -> int:
    for suite in argv or ["bookworm"]:
        try:
            print(f"{suite}: {kernel(suite)}", flush=True)
        except (debian.CannotBuildError, subprocess.SubprocessError) as error:
            print(f"{suite}: {error}", file=sys.stderr)
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
