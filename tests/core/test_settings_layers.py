"""Environment and credentials over the file: what wins, where errors point, what stays secret."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
from pathlib import Path

import pytest
from pydantic import SecretStr

from stillwell.settings import ConfigError, Fault, Quality, Settings, load

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
        assert settings.tank.heater.power == (100.0,)
        assert settings.band["water"].on_delay == 600.0
        assert settings.band["water"].latching is True
        assert getattr(settings.sink["house-broker"].settings, "port", None) == 1884

    @pytest.mark.parametrize(
        ("text", "watts"), [("80 W", (80.0,)), ('["50 W", "50 W"]', (50.0, 50.0))]
    )
    def test_one_value_may_stand_for_a_list(
        self, file: Path, text: str, watts: tuple[float, ...]
    ) -> None:
        heater = load(file, environ={"STILLWELL__TANK__HEATER__POWER": text}).tank.heater
        assert heater is not None
        assert heater.power == watts

    def test_lists_are_json(self, file: Path) -> None:
        settings = load(file, environ={"STILLWELL__BAND__WATER__OF": '["water-a"]'})
        assert settings.band["water"].of == ("water-a",)

    def test_a_limit_is_a_list_and_a_table_of_json_is_laid_over_the_one_in_the_file(
        self, file: Path
    ) -> None:
        environ = {
            "STILLWELL__CHANNEL__WATER_A__QUALITY__FAIL": '["2 degC", "44 degC"]',
            "STILLWELL__CHANNEL__WATER_A__QUALITY__SUSPECT": '["10 degC", "40 degC"]',
            "STILLWELL__TANK": '{"volume": "70 L", "heater": {"power": "100 W"}}',
            "STILLWELL__NIGHT__FROM": "21:30",
        }
        settings = load(file, environ=environ)
        quality = settings.channel["water-a"].quality
        assert isinstance(quality, Quality)
        assert quality.fail == (2.0, 44.0)
        assert (settings.tank.volume, settings.tank.zone) == (70_000.0, "Europe/Dublin")
        assert settings.tank.heater is not None
        assert settings.night.from_ == dt.time(21, 30)

    def test_a_fault_within_a_value_of_a_variable_names_the_variable_not_the_line(
        self, file: Path
    ) -> None:
        lists, table = "STILLWELL__BAND__WATER__OF", "STILLWELL__TANK"
        faults = faults_of(file, {lists: '["water-b"]', table: '{"volume": "70"}'})
        assert {(fault.file, fault.key) for fault in faults} == {
            (f"environment variable {lists}", "band.water.of"),
            (f"environment variable {table}", "tank.volume"),
        }

    @pytest.mark.parametrize("secret", ["12345678", "true", "null", "[tide", "{pool", '"', ""])
    def test_a_secret_is_text_whatever_it_looks_like(self, file: Path, secret: str) -> None:
        settings = load(file, environ={"STILLWELL__SINK__HOUSE_BROKER__PASSWORD": secret})
        assert password(settings) == secret

    def test_the_environment_of_the_process_is_not_looked_at(
        self, file: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("STILLWELL__TANK__VOLUME", "1 L")
        monkeypatch.setenv("STILLWELL__TNK__VOLUME", "1 L")
        monkeypatch.setenv("tank", '{"volume": "1 L"}')
        monkeypatch.setenv("CREDENTIALS_DIRECTORY", "/nowhere")
        assert load(file, environ={}).tank.volume == 68_000.0

    def test_all_wrong_variables_are_told_at_once_beside_what_is_wrong_in_the_file(
        self, file: Path
    ) -> None:
        file.write_text(TEXT.replace("68 L", "68"))
        environ = {
            "STILLWELL__TNK__NAME": "x",
            "STILLWELL__BAND__WATER__OF": "[",
            "STILLWELL__TANK": "reading-room",
            "STILLWELL__NIGHT__TO": "25:00",
        }
        origins = [fault.file for fault in faults_of(file, environ)]
        assert origins[0] == str(file)
        assert set(origins[1:]) == {f"environment variable {name}" for name in environ}

    def test_a_variable_below_another_that_is_no_table_is_an_error(self, file: Path) -> None:
        environ = {"STILLWELL__TANK__LABEL": "pool", "STILLWELL__TANK__LABEL__X": "1"}
        (fault,) = faults_of(file, environ)
        assert fault.file == "environment variable STILLWELL__TANK__LABEL__X"
        assert "no table" in fault.what

    def test_brackets_without_end_are_an_error_that_names_the_variable(self, file: Path) -> None:
        variable = "STILLWELL__SINK__HOUSE_BROKER__HOST"
        (fault,) = faults_of(file, {variable: "[" * 100_000})
        assert fault.file == f"environment variable {variable}"

    @pytest.mark.parametrize(
        "key", ["layers", "environ", "self", "_env_file", "_secrets_dir", "_build_sources"]
    )
    def test_a_key_of_the_file_named_like_an_argument_within_is_an_unknown_key(
        self, file: Path, key: str
    ) -> None:
        file.write_text(f"{key} = 1\n{TEXT}")
        (fault,) = faults_of(file, {})
        assert (fault.line, fault.key) == (1, key)

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

    @pytest.mark.parametrize(
        "secret", [" tide pool ", "12345678", '["tide"]', '{"tide": 1}', "pool\n", "flöd 水"]
    )
    def test_it_is_text_to_the_letter(self, file: Path, credentials: Path, secret: str) -> None:
        (credentials / "sink.house-broker.password").write_text(secret + "\n", encoding="utf-8")
        assert password(load(file, environ={"CREDENTIALS_DIRECTORY": str(credentials)})) == secret

    def test_one_that_was_loaded_from_a_folder_has_the_id_before_its_name(
        self, file: Path, credentials: Path
    ) -> None:
        """systemd.exec(5), LoadCredential=: for a directory "the ID for each credential will be the
        provided ID suffixed with _$FILENAME"; the unit in deploy/systemd has the ID stillwell."""
        unit = Path(__file__).parents[2] / "deploy/systemd/stillwell.service"
        assert "LoadCredential=stillwell:/" in unit.read_text(encoding="utf-8")
        (credentials / "stillwell_sink.house-broker.password").write_text("tide pool\n")
        (credentials / "stillwell_tls.key").write_bytes(b"\xff\xfe")
        settings = load(file, environ={"CREDENTIALS_DIRECTORY": str(credentials)})
        assert password(settings) == "tide pool"

    @pytest.mark.parametrize("prefixed_first", [True, False])
    def test_one_with_a_line_of_its_own_in_the_unit_wins_over_the_folder(
        self, file: Path, credentials: Path, prefixed_first: bool
    ) -> None:
        for prefix in ("stillwell_", "") if prefixed_first else ("", "stillwell_"):
            (credentials / f"{prefix}sink.house-broker.password").write_text(prefix or "own")
            (credentials / f"{prefix}tank.label").write_text(prefix or "own")
        settings = load(file, environ={"CREDENTIALS_DIRECTORY": str(credentials)})
        assert (password(settings), settings.tank.label) == ("own", "own")

    def test_a_fault_in_one_names_the_file_as_it_is_called(
        self, file: Path, credentials: Path
    ) -> None:
        wrong = credentials / "stillwell_tank.volume"
        wrong.write_text("68")
        (fault,) = faults_of(file, {"CREDENTIALS_DIRECTORY": str(credentials)})
        assert (fault.file, fault.key) == (f"credential {wrong}", "tank.volume")

    def test_a_fault_names_the_layer_that_won(self, file: Path, credentials: Path) -> None:
        (credentials / "tank.volume").write_text("68")
        environ = {
            "CREDENTIALS_DIRECTORY": str(credentials),
            "STILLWELL__TANK": '{"volume": "69 L", "zone": "UTC", "units": "metric"}',
            "STILLWELL__TANK__VOLUME": "70 L",
            "STILLWELL__TANK__ZONE": "Europe/Dublyn",
        }
        assert {(fault.file, fault.key) for fault in faults_of(file, environ)} == {
            (f"credential {credentials / 'tank.volume'}", "tank.volume"),
            ("environment variable STILLWELL__TANK__ZONE", "tank.zone"),
        }

    def test_one_that_is_too_long_does_not_hide_what_is_wrong_with_another(
        self, file: Path, credentials: Path
    ) -> None:
        (credentials / "sink.house-broker.password").write_text("x" * 65_537)
        (credentials / "sink.house-broker.usrname").write_text("x")
        faults = faults_of(file, {"CREDENTIALS_DIRECTORY": str(credentials)})
        assert {fault.key for fault in faults} == {
            "sink.house-broker.password",
            "sink.house-broker.…",  # may be a secret itself; the fault names the credential
        }

    def test_a_file_in_place_of_the_folder_is_an_error(self, file: Path) -> None:
        (fault,) = faults_of(file, {"CREDENTIALS_DIRECTORY": str(file)})
        assert "LoadCredential" in fault.do

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


class TestCost:
    def test_the_command_line_starts_without_the_settings_machinery(self) -> None:
        code = "import sys, stillwell.cli.main; print('pydantic_settings' in sys.modules)"
        done = subprocess.run(
            [sys.executable, "-c", code], check=True, capture_output=True, text=True
        )
        assert done.stdout.strip() == "False"
