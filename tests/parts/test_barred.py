"""What somebody is told who may not use a file, by real users."""

from __future__ import annotations

import os
import pwd
from pathlib import Path

import pytest

from as_user import as_user, needs_root
from stillwell import barred
from stillwell.barred import way_in
from stillwell.settings import ConfigError, load

GROUP = pwd.getpwnam("mail").pw_gid

pytestmark = needs_root


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A file of root's that the group mail may read, in a folder like /etc/stillwell."""
    for parent in (tmp_path, *tmp_path.parents[:-2]):
        parent.chmod(0o755)
    folder = tmp_path / "etc"
    folder.mkdir()
    made = folder / "stillwell.toml"
    made.write_text("[tank]\n")
    for each, mode in ((made, 0o640), (folder, 0o750)):
        os.chown(each, 0, GROUP)
        each.chmod(mode)
    return made


class TestWayIn:
    def test_an_outsider_joins_the_group(self, file: Path) -> None:
        said = as_user("games", lambda: way_in(file))
        assert said.endswith("sudo adduser games mail, then log in again.")

    def test_who_has_joined_since_logging_in_logs_in_again(
        self, file: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        # Stands in for /etc/group, which is not the test's to change.
        monkeypatch.setattr(barred, "_members", lambda _: ["games"])
        said = as_user("games", lambda: way_in(file))
        assert said == "You are in the group mail, but not yet in this session: log in again."

    def test_a_member_is_told_of_a_file_that_bars_the_group(self, file: Path) -> None:
        file.chmod(0o600)
        said = as_user("games", lambda: way_in(file), also=["mail"])
        assert said == f"The group mail is denied it: sudo chmod g+r {file}."

    def test_a_file_of_roots_is_given_to_the_group_of_its_folder(self, file: Path) -> None:
        os.chown(file, 0, 0)
        file.chmod(0o600)
        said = as_user("games", lambda: way_in(file), also=["mail"])
        assert said.endswith(f"sudo chgrp mail {file} && sudo chmod g+r {file}.")

    @pytest.mark.parametrize("also", [[], ["mail"]])
    @pytest.mark.parametrize("mode", [0o600, 0o640, 0o660])
    def test_nobody_is_told_to_take_the_store_from_the_service_or_to_open_it(
        self, file: Path, also: list[str], mode: int
    ) -> None:
        service = pwd.getpwnam("irc").pw_uid
        for each in (file, file.parent):
            os.chown(each, service, GROUP)
        file.chmod(mode)
        said = as_user("games", lambda: way_in(file, write=True), also=also)
        assert "chown" not in said
        assert "chmod" not in said
        assert "sudo" in said

    def test_not_even_in_a_folder_of_ones_own(self, file: Path) -> None:
        games = pwd.getpwnam("games")
        os.chown(file.parent, games.pw_uid, games.pw_gid)
        os.chown(file, pwd.getpwnam("irc").pw_uid, GROUP)
        file.chmod(0o600)
        said = as_user("games", lambda: way_in(file, write=True))
        assert said.endswith("sudo adduser games mail, then log in again.")

    def test_nobody_is_sent_into_the_group_of_root(self, file: Path) -> None:
        os.chown(file, 0, 0)
        file.parent.chmod(0o755)
        assert as_user("games", lambda: way_in(file)) == "Only root may: ask with sudo."

    def test_the_owner_is_told_to_allow_it_to_himself(self, file: Path) -> None:
        os.chown(file.parent, pwd.getpwnam("games").pw_uid, GROUP)
        os.chown(file, pwd.getpwnam("games").pw_uid, GROUP)
        file.chmod(0o440)
        assert as_user("games", lambda: way_in(file, write=True)) == (
            f"Its owner is denied it: chmod u+rw {file}."
        )

    def test_a_file_that_is_not_there_yet_hangs_on_its_folder(self, file: Path) -> None:
        said = as_user("games", lambda: way_in(file.with_name("new"), write=True), also=["mail"])
        assert said == "Ask with sudo."
        said = as_user("games", lambda: way_in(file.with_name("new"), write=True))
        assert said.endswith("sudo adduser games mail, then log in again.")

    def test_settings_that_may_not_be_read_say_so(self, file: Path) -> None:
        def tried() -> str:
            try:
                load(file)
            except ConfigError as error:
                return str(error)
            return "they were read"

        said = as_user("games", tried)
        assert "The file may not be read." in said
        assert "sudo adduser games mail" in said
        assert "The file may not be read." not in as_user("games", tried, also=["mail"])
