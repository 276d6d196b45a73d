"""The Debian package, made by the real script of what is here; `tests/hil/packages.sh` installs it
on fresh systems.

It is made without the packages of the lock, which would be fetched: the lock of these sources names
none. `tests/hil/carried.py` holds what is carried against the real one.
"""

from __future__ import annotations

import gzip
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

import stillwell
from stillwell.cli.built_from import FILE, UNKNOWN, commit

ROOT = Path(__file__).parents[2]
SYSTEMD = ROOT / "deploy" / "systemd"


def run(*command: str | Path, at: Path = ROOT, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(part) for part in command],
        capture_output=True,
        text=True,
        cwd=at,
        env=os.environ | more,
    )


class Package:
    """A package and what is in it, unpacked."""

    def __init__(self, folder: Path) -> None:
        sources = folder / "stillwell"
        for name in ("daemon", "drivers", "config", "deploy"):
            shutil.copytree(
                ROOT / name, sources / name, ignore=shutil.ignore_patterns("__pycache__")
            )
        for name in ("pyproject.toml", "README.md", "LICENSE"):
            shutil.copy2(ROOT / name, sources / name)
        for name in ("requirements.lock", "build.lock"):
            (sources / name).write_text("")
        (sources / ".venv").symlink_to(ROOT / ".venv")
        made = run(
            sources / "deploy/build.sh",
            "arm64",
            at=sources,
            UV_OFFLINE="1",
            DPKG_DEB_COMPRESSOR_TYPE="none",
            DEBFULLNAME="Niamh",
            DEBEMAIL="niamh@example.org",
        )
        assert made.returncode == 0, made.stdout + made.stderr
        self.said = made.stdout
        [self.file] = (sources / "dist").glob("*.deb")
        self.root = folder / "root"
        run("dpkg-deb", "--raw-extract", self.file, self.root)
        self.control = self.root / "DEBIAN"

    def field(self, name: str) -> str:
        return run("dpkg-deb", "--field", self.file, name).stdout.strip()


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Package:
    return Package(tmp_path_factory.mktemp("package"))


class TestThePackage:
    def test_is_of_the_one_version_that_there_is(self, package: Package) -> None:
        assert package.file.name == f"stillwell_{stillwell.__version__}_arm64.deb"
        assert package.field("Version") == stillwell.__version__
        assert package.said.startswith(f"stillwell {stillwell.__version__}, of commit {UNKNOWN}\n")
        with gzip.open(package.root / "usr/share/doc/stillwell/changelog.gz", "rt") as log:
            assert log.readline().startswith(f"stillwell ({stillwell.__version__}) ")

    def test_names_who_answers_for_it(self, package: Package) -> None:
        assert package.field("Maintainer") == "Niamh <niamh@example.org>"
        with gzip.open(package.root / "usr/share/doc/stillwell/changelog.gz", "rt") as log:
            assert " -- Niamh <niamh@example.org>  " in log.read()

    def test_says_what_changed(self, package: Package) -> None:
        log = (ROOT / "deploy/CHANGELOG.md").read_text(encoding="utf-8")
        [_, newest, *_] = log.split("\n## ")
        lines = [line for line in newest.splitlines() if line.startswith("- ")]
        assert lines
        assert all(line in package.said for line in lines)

    def test_asks_for_a_python_that_it_carries_packages_for(self, package: Package) -> None:
        """Those of Debian 12 and 13, and none between or after."""
        carried = {p.name for p in package.root.glob("opt/stillwell/package/venv/lib/*")}
        assert carried == {"python3.11", "python3.13"}
        needs = package.field("Depends")
        for part in ("(>= 3.11)", "(<< 3.12) | python3 (>= 3.13)", "(<< 3.14)"):
            assert f"python3 {part}" in needs

    def test_everything_is_in_its_place(self, package: Package) -> None:
        for path in (
            "opt/stillwell/package/release.sh",
            "opt/stillwell/package/share/config/stillwell.toml",
            "opt/stillwell/package/venv/lib/python3.13/site-packages/stillwell/pipeline.py",
            "usr/lib/systemd/system/stillwell.service",
            "usr/lib/systemd/system/stillwell@.service",
            "usr/lib/systemd/system/stillwell-page.service",
            "usr/lib/systemd/system/stillwell-page.socket",
            "usr/lib/sysusers.d/stillwell.conf",
            "usr/lib/tmpfiles.d/stillwell.conf",
            "usr/lib/udev/rules.d/99-stillwell.rules",
            "usr/sbin/stillwell-rollback",
        ):
            assert (package.root / path).is_file(), path
        assert os.readlink(package.root / "usr/bin/stillwell") == (
            "/opt/stillwell/current/venv/bin/stillwell"
        )

    def test_has_no_file_that_dpkg_would_ask_about(self, package: Package) -> None:
        """Settings are the keeper's: postinst places an example, and nothing replaces theirs."""
        assert not (package.control / "conffiles").exists()
        assert not (package.root / "etc").exists()

    def test_has_common_files_of_both_pythons_once(self, package: Package) -> None:
        one, other = (
            package.root / f"opt/stillwell/package/venv/lib/python3.{minor}/site-packages/stillwell"
            for minor in (11, 13)
        )
        assert (one / "pipeline.py").samefile(other / "pipeline.py")

    def test_its_scripts_are_plain_shell_and_filled_in(self, package: Package) -> None:
        names = ("preinst", "postinst", "prerm", "postrm")
        for name in names:
            text = (package.control / name).read_text()
            assert text.startswith("#!/bin/sh\n")
            assert "\nset -eu\n" in text
            assert not re.search(r"@[A-Z]+@", text), name
        files = [ROOT / "deploy/debian" / n for n in (*names, "stillwell-rollback", "rtupdate")]
        checked = run("shellcheck", "--external-sources", *files)
        assert checked.returncode == 0, checked.stdout

    def test_the_program_starts_from_it(self, package: Package) -> None:
        """By the Python that tests, which brings the lock's packages."""
        carried = package.root / "opt/stillwell/package/venv/lib/python3.11/site-packages"
        done = run(
            ROOT / ".venv/bin/python",
            "-c",
            "import sys; sys.path.insert(0, sys.argv.pop()); "
            "from stillwell.cli.main import main; sys.argv[1:] = ['--version']; main()",
            carried,
        )
        assert done.stdout == f"stillwell {stillwell.__version__} (commit {UNKNOWN})\n", done.stderr


class TestInstallSh:
    def test_is_refused_where_the_package_is(self, tmp_path: Path) -> None:
        (tmp_path / "opt/stillwell/package").mkdir(parents=True)
        done = run(ROOT / "deploy/install.sh", STILLWELL_ROOT=str(tmp_path))
        assert done.returncode == 1
        assert "apt install ./stillwell" in done.stderr
        assert "stillwell-rollback" in done.stderr


class TestTheCommit:
    """As `stillwell --version` says it."""

    @pytest.fixture
    def module(self, tmp_path: Path) -> Path:
        """Where the module would be in a checkout of its own."""
        module = tmp_path / "daemon/stillwell/cli/built_from.py"
        module.parent.mkdir(parents=True)
        module.touch()
        return module

    def git(self, at: Path, *words: str) -> str:
        who = ("-c", "user.name=a", "-c", "user.email=a@example.org")
        return run("git", *who, *words, at=at).stdout.strip()

    def test_is_what_was_written_when_it_was_built(self, module: Path) -> None:
        module.with_name(FILE).write_text("0123456789ab\n")
        assert commit(module) == "0123456789ab"

    def test_is_gits_in_a_checkout_with_a_mark_where_it_was_changed(
        self, module: Path, tmp_path: Path
    ) -> None:
        self.git(tmp_path, "init", "-q")
        self.git(tmp_path, "add", ".")
        self.git(tmp_path, "commit", "-qm", "First")
        # A tag is no commit, and is not said instead of one.
        self.git(tmp_path, "tag", "-a", "-m", "v1", "v1")
        made = self.git(tmp_path, "rev-parse", "--short=12", "HEAD")
        assert commit(module) == made
        module.write_text("changed")
        assert commit(module) == f"{made}+"

    @pytest.mark.parametrize("written", [b"", b"\xff\xfe"])
    def test_is_unknown_where_nobody_knows(self, module: Path, written: bytes) -> None:
        assert commit(module) == UNKNOWN
        module.with_name(FILE).write_bytes(written)
        assert commit(module) == UNKNOWN

    def test_is_unknown_without_git(
        self, module: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        (tmp_path / ".git").mkdir()
        assert commit(module) == UNKNOWN
        monkeypatch.setenv("PATH", "/nonexistent")
        assert commit(module) == UNKNOWN
