"""The service's credentials seen by somebody in a shell: read where that is allowed, and in
nobody's way where it is not."""

from __future__ import annotations

from pathlib import Path

import pytest

from command_line import tank
from stillwell.settings import ConfigError, load, sealed

URL = "json://127.0.0.1:1/s3cr3t"
PUSH = '[sink.niamh]\nkind = "push"\nlowest = "high"\n'


@pytest.fixture
def file(tmp_path: Path) -> Path:
    folder = tmp_path / "credentials"
    folder.mkdir()
    (folder / "sink.niamh.url").write_text(f"{URL}\n")
    return tank(tmp_path, PUSH)


@pytest.fixture
def closed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tests may run as root, who may read everything."""
    monkeypatch.setattr(sealed, "may_read", lambda folder: False)


class TestTheFolderBesideTheFile:
    def test_is_where_a_command_in_a_shell_finds_what_the_service_is_given(
        self, file: Path
    ) -> None:
        settings = load(file, environ={})
        made = settings.sink["niamh"].settings
        assert made is not None
        assert made.url.get_secret_value() == URL  # type: ignore[attr-defined]
        assert "s3cr3t" not in repr(settings)

    def test_counts_for_nothing_beside_the_variable_of_a_service(
        self, file: Path, tmp_path: Path
    ) -> None:
        own = tmp_path / "of the unit"
        own.mkdir()
        with pytest.raises(ConfigError, match=r"sink\.niamh\.url"):
            load(file, environ={"CREDENTIALS_DIRECTORY": str(own)})

    def test_need_not_be_there(self, tmp_path: Path) -> None:
        assert not load(tank(tmp_path), environ={}).sink

    @pytest.mark.usefixtures("closed")
    def test_that_is_sealed_stops_nobody_who_does_not_need_it(self, file: Path) -> None:
        niamh = load(file, environ={}).sink["niamh"]
        assert niamh.sealed
        assert niamh.made is None
        assert f"Its url may be in {file.parent / 'credentials'}" in niamh.broken
        assert "sudo" in niamh.broken

    @pytest.mark.usefixtures("closed")
    def test_that_is_sealed_hides_no_other_mistake(self, file: Path) -> None:
        file.write_text(file.read_text() + '[sink.broker]\nkind = "mqtt"\nport = 0\n')
        with pytest.raises(ConfigError, match=r"sink\.broker\.port"):
            load(file, environ={})

    @pytest.mark.usefixtures("closed")
    def test_that_is_sealed_is_not_missed_where_the_file_says_all(self, file: Path) -> None:
        file.write_text(file.read_text() + f'url = "{URL}"\n')
        assert not load(file, environ={}).sink["niamh"].sealed

    def test_that_is_not_there_leaves_a_missing_secret_a_mistake(self, tmp_path: Path) -> None:
        with pytest.raises(ConfigError, match=r"sink\.niamh\.url"):
            load(tank(tmp_path, PUSH), environ={})
