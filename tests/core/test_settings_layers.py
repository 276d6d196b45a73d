"""Environment and credentials over the file: what wins, where errors point, what stays secret."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import SecretStr

from stillwell.settings import ConfigError, Fault, Settings, load

TEXT = """\
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"
[source.tank]
driver = "simulated"
[source.tank.channels]
water-a = { sees = "water" }
[channel.water-a]
quantity = "temperature"
[band.water]
of = ["water-a"]
target = "25.3 degC"
tolerance = "0.5 K"
[sink.house-broker]
kind = "mqtt"
host = "localhost"
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "stillwell.toml"
    path.write_text(TEXT)
    path.chmod(0o640)
    return path


@pytest.fixture
def credentials(tmp_path: Path) -> Path:
    folder = tmp_path / "credentials"
    folder.mkdir()
    return folder


def password(settings: Settings) -> str:
    value = getattr(settings.sink["house-broker"].settings, "password", None)
    assert isinstance(value, SecretStr)
    return value.get_secret_value()


def faults_of(file: Path, environ: dict[str, str]) -> tuple[Fault, ...]:
    with pytest.raises(ConfigError) as raised:
        load(file, environ=environ)
    return raised.value.faults


class TestEnvironment:
    def test_a_secret_comes_from_a_variable_and_a_hyphen_is_an_underscore(self, file: Path) -> None:
        settings = load(file, environ={"STILLWELL__SINK__HOUSE_BROKER__PASSWORD": "tide pool"})
        assert password(settings) == "tide pool"

    def test_it_wins_over_the_file_and_adds_to_it(self, file: Path) -> None:
        settings = load(
            file,
            environ={
                "STILLWELL__TANK__VOLUME": "18 gal",
                "STILLWELL__TANK__UNITS": "us",
                "STILLWELL__BAND__WATER__ON_DELAY": "10 min",
                "STILLWELL__BAND__WATER__LATCHING": "true",
                "STILLWELL__SINK__HOUSE_BROKER__PORT": "1884",
                "STILLWELL__TANK__HEATER__POWER": "100 W",
            },
        )
        assert settings.tank.volume == 68_137.412112  # 18 x 3.785 411 784 L
        assert settings.tank.heater is not None
        assert settings.tank.heater.power == 100.0
        assert settings.band["water"].on_delay == 600.0
        assert settings.band["water"].latching is True
        assert getattr(settings.sink["house-broker"].settings, "port", None) == 1884

    def test_lists_are_json(self, file: Path) -> None:
        settings = load(file, environ={"STILLWELL__BAND__WATER__OF": '["water-a"]'})
        assert settings.band["water"].of == ("water-a",)

    def test_other_variables_are_left_alone(self, file: Path) -> None:
        load(file, environ={"STILLWELL_CONFIG": "elsewhere", "STILLWELLX": "1", "HOME": "/"})

    @pytest.mark.parametrize(
        ("variable", "value", "key", "words"),
        [
            ("STILLWELL__TNK__NAME", "x", "tnk", '"tank"'),
            ("STILLWELL__TANK__VOLUM", "x", "tank.volum", '"volume"'),
            ("STILLWELL__TANK__VOLUME", "68", "tank.volume", "no unit"),
            ("STILLWELL__BAND__WATER__OF", "[water-a", "band.water.of", "JSON"),
            ("STILLWELL__TANK__VOLUME__X", "1", "tank.volume.x", "no table"),
            ("STILLWELL____NAME", "1", "", "empty part"),
            ("STILLWELL__SINK__HOUSE_BROKER__PORT", "99999", "sink.house-broker.port", "65535"),
        ],
    )
    def test_a_wrong_variable_is_an_error_that_names_it(
        self, file: Path, variable: str, value: str, key: str, words: str
    ) -> None:
        (fault,) = faults_of(file, {variable: value})
        assert (fault.file, fault.line, fault.key) == (
            f"environment variable {variable}",
            None,
            key,
        )
        assert words in fault.what + fault.do

    def test_what_the_file_lacks_is_still_missing_from_the_file(self, file: Path) -> None:
        file.write_text(TEXT.replace('zone = "Europe/Dublin"\n', ""))
        (fault,) = faults_of(file, {"STILLWELL__TANK__UNITS": "us"})
        assert (fault.file, fault.line, fault.key) == (str(file), 1, "tank.zone")


class TestCredentials:
    def test_a_systemd_credential_is_the_secret_without_its_last_newline(
        self, file: Path, credentials: Path
    ) -> None:
        (credentials / "sink.house-broker.password").write_text("tide pool\n")
        assert (
            password(load(file, environ={"CREDENTIALS_DIRECTORY": str(credentials)})) == "tide pool"
        )

    def test_it_wins_over_file_and_environment(self, file: Path, credentials: Path) -> None:
        file.write_text(TEXT + 'password = "from the file"\n')
        (credentials / "sink.house-broker.password").write_text("from the credential")
        environ = {
            "CREDENTIALS_DIRECTORY": str(credentials),
            "STILLWELL__SINK__HOUSE_BROKER__PASSWORD": "from the environment",
        }
        assert password(load(file, environ=environ)) == "from the credential"

    def test_files_of_others_in_the_folder_are_left_alone(
        self, file: Path, credentials: Path
    ) -> None:
        (credentials / "tls.key").write_bytes(b"\xff\xfe")
        (credentials / "sink").write_text("x")
        (credentials / ".hidden").write_text("x")
        load(file, environ={"CREDENTIALS_DIRECTORY": str(credentials)})

    def test_a_credential_that_is_no_text_is_an_error_that_names_it(
        self, file: Path, credentials: Path
    ) -> None:
        secret = credentials / "sink.house-broker.password"
        secret.write_bytes(b"\xff\x00")
        (fault,) = faults_of(file, {"CREDENTIALS_DIRECTORY": str(credentials)})
        assert fault.file == f"credential {secret}"

    def test_a_folder_that_is_not_there_is_an_error(self, file: Path, tmp_path: Path) -> None:
        (fault,) = faults_of(file, {"CREDENTIALS_DIRECTORY": str(tmp_path / "no")})
        assert "LoadCredential" in fault.do

    def test_a_credential_for_a_sink_that_the_file_lacks_is_an_error(
        self, file: Path, credentials: Path
    ) -> None:
        (credentials / "sink.elsewhere.password").write_text("x")
        (fault,) = faults_of(file, {"CREDENTIALS_DIRECTORY": str(credentials)})
        assert fault.key == "sink.elsewhere.kind"
        assert fault.file.startswith("credential ")


class TestSecrets:
    def test_a_secret_in_a_file_that_all_can_read_is_warned_about(self, file: Path) -> None:
        file.write_text(TEXT + 'password = "hunter2"\n')
        file.chmod(0o644)
        (warning,) = load(file, environ={}).warnings
        assert warning.line == 18
        assert warning.key == "sink.house-broker.password"
        assert "STILLWELL__SINK__HOUSE_BROKER__PASSWORD" in warning.do
        assert "hunter2" not in str(warning)

    @pytest.mark.parametrize("mode", [0o640, 0o600])
    def test_a_file_for_its_owner_and_group_is_fine(self, file: Path, mode: int) -> None:
        file.write_text(TEXT + 'password = "hunter2"\n')
        file.chmod(mode)
        assert load(file, environ={}).warnings == ()

    def test_a_secret_from_elsewhere_is_fine_in_any_file(self, file: Path) -> None:
        file.chmod(0o644)
        environ = {"STILLWELL__SINK__HOUSE_BROKER__PASSWORD": "hunter2"}
        assert load(file, environ=environ).warnings == ()

    @pytest.mark.parametrize("line", ["password = 12345678", 'password = ["hunter2"]'])
    def test_a_wrong_secret_is_never_shown(self, file: Path, line: str) -> None:
        file.write_text(TEXT + line + "\n")
        with pytest.raises(ConfigError) as raised:
            load(file, environ={})
        assert "hunter2" not in str(raised.value)
        assert "12345678" not in str(raised.value)

    def test_the_settings_do_not_print_it(self, file: Path) -> None:
        settings = load(file, environ={"STILLWELL__SINK__HOUSE_BROKER__PASSWORD": "hunter2"})
        assert "hunter2" not in repr(settings)
