"""A wrong configuration: every fault names line, key, what is wrong and what to write instead."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillwell.settings import ConfigError, Fault, Settings, load

GOOD = """\
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"
[tank.chamber]
length = "18 cm"
width = "9 cm"
lowest_safe = "-45 mm"
[night]
from = "22:00"
to = "08:00"
[source.tank]
driver = "simulated"
every = "30 s"
[source.tank.channels]
water-a = { sees = "water" }
water-b = { sees = "water-b" }
float-low = { sees = "float", height = "-12 mm" }
humidity = { sees = "humidity" }
[channel.water-a]
quantity = "temperature"
[channel.water-a.quality]
fail = ["1 degC", "45 degC"]
suspect = ["15 degC", "35 degC"]
gap = "3 min"
[channel.water-b]
quantity = "temperature"
[channel.humidity]
quantity = "humidity"
[channel.float-low]
quantity = "float"
height = "-12 mm"
[agreement.water]
of = ["water-a", "water-b"]
within = "0.5 K"
[band.water]
of = ["water-a", "water-b"]
target = "25.3 degC"
tolerance = "0.5 K"
deadband = "0.1 K"
[state.top-up]
of = "float-low"
wrong = "below"
[sink.broker]
kind = "mqtt"
host = "localhost"
"""


def settings_of(folder: Path, text: str) -> Settings:
    file = folder / "stillwell.toml"
    file.write_text(text, encoding="utf-8")
    file.chmod(0o640)
    return load(file, environ={})


def faults_of(folder: Path, text: str) -> tuple[Fault, ...]:
    with pytest.raises(ConfigError) as raised:
        settings_of(folder, text)
    return raised.value.faults


def line_of(text: str, start: str) -> int:
    lines = text.split("\n")
    return next(number for number, line in enumerate(lines, 1) if line.startswith(start))


ONE_FAULT = [
    # (replace this, by this, on the line that begins so, key, in what, in do)
    (
        'name = "reading-room"',
        'name = "Reading Room"',
        "name",
        "tank.name",
        "no name",
        '"reading-room"',
    ),
    ("Europe/Dublin", "Europe/Dubln", "zone", "tank.zone", "no time zone", '"Europe/Dublin"'),
    ("Europe/Dublin", "EST5", "zone", "tank.zone", "no time zone", '"America/New_York"'),
    ("Europe/Dublin", "EST5EDT4", "zone", "tank.zone", "no time zone", '"EST5EDT"'),
    ('volume = "68 L"', "volume = 68", "volume", "tank.volume", "has no unit", '"68 L"'),
    ('volume = "68 L"', 'volume = "0 L"', "volume", "tank.volume", "more than 0", '"68 L"'),
    ('volume = "68 L"\n', "", "[tank]", "tank.volume", "missing", 'volume = "68 L"'),
    ('volume = "68 L"', 'volum = "68 L"', "[tank]", "tank.volume", '"volum" meant', "volume ="),
    (
        'volume = "68 L"',
        'volume = "68 L"\nunits = "metrc"',
        "units",
        "tank.units",
        '"metrc"',
        '"metric"',
    ),
    ('width = "9 cm"', 'width = "1,234 mm"', "width", "tank.chamber.width", "comma", '"1234 mm"'),
    (
        'volume = "68 L"',
        'units = "us"\nvolume = "18"',
        "volume",
        "tank.volume",
        "has no unit",
        'Write "18 gal", "18 fl oz", "18 L" or "18 mL".',
    ),
    (
        'quantity = "float"',
        'quantity = "float"\noffset = "2 mm"',
        "offset",
        "channel.float-low.offset",
        "open or closed and has no offset",
        "Remove it",
    ),
    (
        '[channel.water-b]\nquantity = "temperature"',
        '[channel.water-b]\nquantity = "temperature"\noffset = "22 K"',
        "offset",
        "channel.water-b.offset",
        "at most",
        "5 K",
    ),
    ('"-45 mm"', '"45 mm"', "lowest_safe", "tank.chamber.lowest_safe", "not below", '"-45 mm"'),
    (
        "[night]",
        '[tank.top_up]\nreservoir = "10 L"\n[night]',
        "reservoir",
        "tank.top_up.reservoir",
        "added by hand here",
        'kind = "automatic"',
    ),
    (
        "[night]",
        '[tank.top_up]\nkind = "automatic"\npump = "water-a"\n[night]',
        "pump",
        "tank.top_up.pump",
        "measures temperature",
        'quantity = "switch"',
    ),
    (
        "[night]",
        '[tank.top_up]\nkind = "automatic"\nlow_float = "float-lw"\n[night]',
        "low_float",
        "tank.top_up.low_float",
        "no channel",
        '"float-low"',
    ),
    (
        "[night]",
        '[tank.top_up]\nkind = "automatic"\nrate = "5 L/h"\n[night]',
        "rate",
        "tank.top_up.rate",
        "no channel shows when it runs",
        "pump =",
    ),
    (
        "[night]",
        '[tank.top_up]\nkind = "machine"\n[night]',
        "kind",
        "tank.top_up.kind",
        '"machine"',
        '"automatic"',
    ),
    ('from = "22:00"', 'from = "24:00"', "from", "night.from", "no time of day", '"00:00"'),
    ('to = "08:00"', 'to = "22:00"', "to =", "night.to", "ends when it begins", 'to = "08:00"'),
    (
        'to = "08:00"',
        'to = "08:00"\nreview_at = "03:00"',
        "review_at",
        "night.review_at",
        "within the night",
        "after",
    ),
    (
        "simulated",
        "simulatd",
        "driver",
        "source.tank.driver",
        'no driver "simulatd"',
        '"simulated"',
    ),
    ('every = "30 s"', 'evry = "30 s"', "evry", "source.tank.evry", "not known", '"every"'),
    (
        'every = "30 s"',
        'every = "30 s"\nlook = "31 s"',
        "look",
        "source.tank.look",
        "longer than every",
        "shorter",
    ),
    ('every = "30 s"', 'every = "30 s"\nsed = 1', "sed", "source.tank.sed", "not known", '"seed"'),
    (
        '{ sees = "water" }',
        '{ see = "water", sees = "water" }',
        "water-a =",
        "source.tank.channels.water-a.see",
        "not known",
        '"sees"',
    ),
    (
        '{ sees = "water" }',
        '{ sees = "watr" }',
        "water-a =",
        "source.tank.channels.water-a.sees",
        '"watr"',
        'mean "water"',
    ),
    (
        'quantity = "humidity"',
        'quantity = "humidty"',
        'quantity = "humidt',
        "channel.humidity.quantity",
        '"humidty"',
        '"humidity"',
    ),
    (
        'quantity = "humidity"\n',
        "",
        "[channel.humidity]",
        "channel.humidity.quantity",
        "missing",
        'quantity = "',
    ),
    (
        'quantity = "humidity"',
        'quantity = "humidity"\nheight = "1 mm"',
        'height = "1',
        "channel.humidity.height",
        "not known",
        "Remove it",
    ),
    (
        '["1 degC", "45 degC"]',
        '["1 degC"]',
        "fail",
        "channel.water-a.quality.fail[1]",
        "missing",
        "[low, high]",
    ),
    (
        '["1 degC", "45 degC"]',
        '["45 degC", "1 degC"]',
        "fail",
        "channel.water-a.quality.fail",
        "ends at or below",
        "lower value first",
    ),
    (
        '["1 degC", "45 degC"]',
        '["20 degC", "45 degC"]',
        "suspect",
        "channel.water-a.quality.suspect",
        "not within",
        "wider",
    ),
    (
        'suspect = ["15 degC", "35 degC"]\n',
        "",
        "fail",
        "channel.water-a.quality.fail",
        "without suspect",
        "Add suspect",
    ),
    (
        'every = "30 s"',
        'every = "30 s"\ndeadline = "181 s"',
        "deadline",
        "source.tank.deadline",
        "silent after 180 s",
        '"180 s"',
    ),
    (
        'gap = "3 min"',
        'gap = "20 s"',
        "gap",
        "channel.water-a.quality.gap",
        "not longer than the 30 s",
        '"90 s"',
    ),
    (
        'gap = "3 min"',
        'gap = "3 min"\nspike = "0 K"',
        "spike",
        "channel.water-a.quality.spike",
        "spike",
        "above 0",
    ),
    (
        'quantity = "float"\nheight = "-12 mm"',
        'quantity = "float"',
        "[channel.float-low]",
        "channel.float-low.height",
        "no height",
        '"-12 mm"',
    ),
    (
        'of = ["water-a", "water-b"]\nwithin',
        'of = ["water-a"]\nwithin',
        'of = ["water-a"]',
        "agreement.water.of",
        "at least 2",
        "list",
    ),
    (
        'of = ["water-a", "water-b"]\ntarget',
        'of = ["water-a", "watr-b"]\ntarget',
        'of = ["water-a", "watr',
        "band.water.of[1]",
        'no channel "watr-b"',
        '"water-b"',
    ),
    (
        'of = ["water-a", "water-b"]\ntarget',
        'of = ["water-a", "humidity"]\ntarget',
        'of = ["water-a", "hum',
        "band.water.of",
        "different things",
        "one quantity",
    ),
    (
        'of = ["water-a", "water-b"]\ntarget',
        'of = ["water-a", "water-a"]\ntarget',
        'of = ["water-a", "water-a"',
        "band.water.of[1]",
        "twice",
        "Remove",
    ),
    (
        'of = ["water-a", "water-b"]\ntarget',
        'of = ["float-low"]\ntarget',
        'of = ["float',
        "band.water.of",
        "float",
        "[state.",
    ),
    (
        'of = ["water-a", "water-b"]\ntarget',
        'of = "water-a"\ntarget',
        'of = "water-a"',
        "band.water.of",
        "not a list",
        '["water-a"',
    ),
    (
        'of = ["water-a", "water-b"]\ntarget',
        'of = ["humidity"]\ntarget',
        "target",
        "band.water.target",
        "is a temperature",
        '"48 %RH"',
    ),
    (
        'target = "25.3 degC"',
        'target = "25.3 K"',
        "target",
        "band.water.target",
        "difference",
        '"25.3 degC"',
    ),
    (
        'deadband = "0.1 K"',
        'deadband = "0.5 K"',
        "deadband",
        "band.water.deadband",
        "past the target",
        "smaller",
    ),
    (
        'deadband = "0.1 K"',
        'latching = "perhaps"',
        "latching",
        "band.water.latching",
        "not true or false",
        "true",
    ),
    ('deadband = "0.1 K"', 'priority = "hi"', "priority", "band.water.priority", '"hi"', '"high"'),
    (
        'of = "float-low"',
        'of = "float-lo"',
        'of = "float-lo"',
        "state.top-up.of",
        "no channel",
        '"float-low"',
    ),
    (
        'of = "float-low"',
        'of = "water-a"',
        'of = "water-a"',
        "state.top-up.of",
        "only a float",
        "[band.",
    ),
    ('wrong = "below"', 'wrong = "on"', "wrong", "state.top-up.wrong", "never", '"below"'),
    ("[state.top-up]", "[state.Top_Up]", "[state.Top_Up]", "state.Top_Up", "no name", '"top-up"'),
    ('kind = "mqtt"', 'kind = "mqt"', "kind", "sink.broker.kind", 'no kind "mqt"', '"mqtt"'),
    ('host = "localhost"', "host = 5", "host", "sink.broker.host", "not a text", "quotes"),
    (
        'host = "localhost"',
        'host = "localhost"\nport = 99999',
        "port",
        "sink.broker.port",
        "at most 65535",
        "65535",
    ),
    ("[sink.broker]", "[sinks.broker]", "[sinks.broker]", "sinks", "not known", '"sink"'),
    ("[night]", "[nightt]", "[nightt]", "nightt", "not known", '"night"'),
    (
        'every = "30 s"',
        'every = "3 min"',
        "gap",
        "channel.water-a.quality.gap",
        "not longer than the 180 s",
        '"540 s"',
    ),
    (
        '["1 degC", "45 degC"]',
        '["45 degC", "45 degC"]',
        "fail",
        "channel.water-a.quality.fail",
        "ends at or below",
        "lower value first",
    ),
    (
        '["15 degC", "35 degC"]',
        '["15 degC", "46 degC"]',
        "suspect",
        "channel.water-a.quality.suspect",
        "not within",
        "wider",
    ),
    (
        'to = "08:00"',
        'to = "23:00"\nreview_at = "22:59"',
        "review_at",
        "night.review_at",
        "within the night",
        "after",
    ),
    (
        'to = "08:00"',
        'to = "08:00"\nreview_at = "23:00"',
        "review_at",
        "night.review_at",
        "within the night",
        "after",
    ),
    (
        '"-45 mm"',
        '"0 mm"',
        "lowest_safe",
        "tank.chamber.lowest_safe",
        "not below",
        '"-45 mm"',
    ),
    (
        'lowest_safe = "-45 mm"',
        'highest_safe = "0 mm"',
        "highest_safe",
        "tank.chamber.highest_safe",
        "not above",
        '"25 mm"',
    ),
    (
        "[night]",
        '[tank.lamp]\non = "12:00"\noff = "12:00"\n[night]',
        "off",
        "tank.lamp.off",
        "goes off when",
        '"22:00"',
    ),
    (
        "[night]",
        '[tank.fan]\non = "12:00"\noff = "12:00"\n[night]',
        "off",
        "tank.fan.off",
        "goes off when",
        '"22:00"',
    ),
    (
        "[night]",
        '[tank.heater]\npower = "0 W"\n[night]',
        "power",
        "tank.heater.power",
        "more than 0",
        "W",
    ),
    (
        "[night]",
        '[tank.heater]\npower = "75"\n[night]',
        "power",
        "tank.heater.power",
        "has no unit",
        '"75 W"',
    ),
    (
        "[night]",
        '[tank.heater]\nkind = "thermostatt"\n[night]',
        "kind",
        "tank.heater.kind",
        "words known",
        '"thermostat"',
    ),
    (
        "[night]",
        '[tank.heater]\nkind = "several"\n[night]',
        "kind",
        "tank.heater.kind",
        "how the heater is controlled",
        'power = ["50 W", "50 W"]',
    ),
    (
        "[night]",
        '[tank.heater]\nschedule = { from = "22:00", to = "22:00", by = "-1 K" }\n[night]',
        "schedule",
        "tank.heater.schedule.to",
        "ends when it begins",
        '"07:00"',
    ),
    (
        "[night]",
        '[tank.heater]\nschedule = { from = "22:00", to = "07:00", by = "0 K" }\n[night]',
        "schedule",
        "tank.heater.schedule.by",
        "changes nothing",
        "below 0",
    ),
    (
        "[night]",
        '[tank.heater]\nschedule = { from = "22:00", to = "07:00" }\n[night]',
        "schedule",
        "tank.heater.schedule.by",
        "missing",
        "by =",
    ),
    (
        "[night]",
        '[tank.heater]\n[tank.chiller]\npower = "150 W"\n[night]',
        "[tank.chiller]",
        "tank.chiller.setting",
        "chiller that switched",
        'setting = "26.5 degC"',
    ),
    (
        "[night]",
        '[tank.chiller]\nsetting = "26.5"\n[night]',
        "setting",
        "tank.chiller.setting",
        "has no unit",
        '"26.5 ',
    ),
    (
        'quantity = "float"\nheight = "-12 mm"',
        'quantity = "switch"',
        "wrong",
        "state.top-up.wrong",
        "switch is never",
        '"off"',
    ),
    (
        'of = ["water-a", "water-b"]\nwithin',
        'of = ["water-a", "water-a"]\nwithin',
        'of = ["water-a", "water-a"]',
        "agreement.water.of",
        "two different",
        "water-b",
    ),
    (
        'quantity = "humidity"',
        'quantity = "humidity"\nquality = { fail = ["0 %", "101 %"], suspect = ["5 %", "99 %"] }',
        "quality",
        "channel.humidity.quality.fail",
        "from 0 to 100",
        "100 %RH",
    ),
    (
        'height = "-12 mm"\n[agree',
        'differential = "2 mm"\n[agree',
        "[channel.float-low]",
        "channel.float-low.height",
        "differential and no height",
        "height =",
    ),
]


class TestOneFault:
    def test_the_configuration_that_is_broken_below_is_good(self, tmp_path: Path) -> None:
        settings = settings_of(tmp_path, GOOD)
        assert settings.warnings == ()

    @pytest.mark.parametrize(
        ("old", "new", "start", "key", "what", "do"),
        ONE_FAULT,
        ids=[f"{case[3]}: {case[4]}" for case in ONE_FAULT],
    )
    def test_it_names_line_key_what_and_do(
        self, tmp_path: Path, old: str, new: str, start: str, key: str, what: str, do: str
    ) -> None:
        assert old in GOOD
        text = GOOD.replace(old, new, 1)
        matching = [fault for fault in faults_of(tmp_path, text) if fault.key == key]
        assert matching, [str(fault) for fault in faults_of(tmp_path, text)]
        assert any(
            fault.line == line_of(text, start) and what in fault.what and do in fault.do
            for fault in matching
        ), [str(fault) for fault in matching]


class TestJustRight:
    """What stands exactly at a limit, on its good side."""

    @pytest.mark.parametrize(
        ("old", "new"),
        [
            ('every = "30 s"', 'every = "30 s"\nlook = "30 s"'),
            ('gap = "3 min"', 'gap = "31 s"'),
            ('every = "30 s"', 'every = "30 s"\ndeadline = "180 s"'),
            ('["15 degC", "35 degC"]', '["1 degC", "45 degC"]'),
            ('to = "08:00"', 'to = "08:00"\nreview_at = "08:00"'),
            ('to = "08:00"', 'to = "08:00"\nreview_at = "21:59"'),
        ],
    )
    def test_it_loads(self, tmp_path: Path, old: str, new: str) -> None:
        assert old in GOOD
        settings_of(tmp_path, GOOD.replace(old, new, 1))


class TestSourcesAndChannels:
    def test_a_gap_shorter_than_the_usual_deadline_stands_on_the_line_of_the_gap(
        self, tmp_path: Path
    ) -> None:
        text = GOOD.replace('every = "30 s"', 'every = "2 s"').replace("3 min", "9 s")
        (fault,) = faults_of(tmp_path, text)
        assert (fault.line, fault.key) == (line_of(text, "gap"), "channel.water-a.quality.gap")
        assert "may take 10 s" in fault.what

    def test_a_channel_without_a_source_stands_on_its_own_line(self, tmp_path: Path) -> None:
        text = GOOD.replace('humidity = { sees = "humidity" }\n', "")
        (fault,) = faults_of(tmp_path, text)
        assert (fault.line, fault.key) == (line_of(text, "[channel.humidity]"), "channel.humidity")
        assert "No source" in fault.what

    def test_a_source_that_delivers_an_unknown_channel(self, tmp_path: Path) -> None:
        text = GOOD.replace(
            'humidity = { sees = "hum', 'ghost = { sees = "room" }\nhumidity = { sees = "hum'
        )
        (fault,) = faults_of(tmp_path, text)
        assert (fault.line, fault.key) == (line_of(text, "ghost"), "source.tank.channels.ghost")

    def test_a_channel_in_two_sources(self, tmp_path: Path) -> None:
        second = '[source.two]\ndriver = "simulated"\nchannels = { water-a = { sees = "water" } }\n'
        text = GOOD + second
        (fault,) = faults_of(tmp_path, text)
        assert fault.line == line_of(text, "channels = {")
        assert "[source.tank] already" in fault.what

    def test_a_float_away_from_a_chamber_needs_no_height(self, tmp_path: Path) -> None:
        start, end = GOOD.index("[tank.chamber]"), GOOD.index("[night]")
        text = GOOD[:start] + GOOD[end:]
        text = text.replace('quantity = "float"\nheight = "-12 mm"', 'quantity = "float"')
        assert settings_of(tmp_path, text).channel["float-low"].quantity == "float"

    @pytest.mark.parametrize("table", ["source", "channel"])
    def test_nothing_to_watch_is_a_mistake(self, tmp_path: Path, table: str) -> None:
        text = "[tank]\nname = 'a'\nzone = 'UTC'\nvolume = '68 L'\n[source]\n[channel]\n"
        whats = {fault.key: fault.what for fault in faults_of(tmp_path, text)}
        assert whats[table] == f"There is no [{table}.NAME]."

    def test_values_that_are_no_words_are_listed_too(self, tmp_path: Path) -> None:
        """Through the 1-Wire driver, which knows four resolutions."""
        text = GOOD + (
            '[source.w1]\ndriver = "onewire"\n[source.w1.channels]\n'
            'x = { probe = "28-0316a2794a1f", resolution = 13 }\n'
            '[channel.x]\nquantity = "temperature"\n'
        )
        (fault,) = faults_of(tmp_path, text)
        assert fault.key == "source.w1.channels.x.resolution"
        assert fault.what.startswith("13 is not one of")
        assert "9, 10, 11 or 12" in fault.do


class TestSeveralFaults:
    def test_all_are_listed_in_the_order_of_the_lines(self, tmp_path: Path) -> None:
        text = GOOD
        for old, new in [
            ('volume = "68 L"', "volume = 68"),
            ('every = "30 s"', 'evry = "30 s"'),
            ('kind = "mqtt"', 'kind = "mqt"'),
            ('wrong = "below"', 'wrong = "under"'),
            ('within = "0.5 K"', 'within = "0.5"'),
        ]:
            text = text.replace(old, new, 1)
        faults = faults_of(tmp_path, text)
        assert [fault.key for fault in faults] == [
            "tank.volume",
            "source.tank.evry",
            "agreement.water.within",
            "state.top-up.wrong",
            "sink.broker.kind",
        ]
        lines = [fault.line or 0 for fault in faults]
        assert lines == sorted(lines)

    def test_the_text_is_plain_and_complete(self, tmp_path: Path) -> None:
        with pytest.raises(ConfigError) as raised:
            settings_of(tmp_path, GOOD.replace('volume = "68 L"', "volume = 68"))
        first, what, do = str(raised.value).split("\n")
        assert first == f"{tmp_path / 'stillwell.toml'}, line 4, tank.volume:"
        assert what == "  68 has no unit, and a volume needs one."
        assert do == '  Write "68 L", "68 mL", "68 gal" or "68 fl oz".'

    def test_the_same_fault_is_listed_once_and_those_without_a_line_last(self) -> None:
        late, early = Fault("f", 9, "b", "Wrong."), Fault("f", 2, "a", "Wrong.")
        nowhere = Fault("environment variable X", None, "c", "Wrong.")
        assert ConfigError([nowhere, late, early, late]).faults == (early, late, nowhere)


class TestFiles:
    def test_a_missing_file_says_where_it_looked_and_how_to_get_a_sample(
        self, tmp_path: Path
    ) -> None:
        with pytest.raises(ConfigError) as raised:
            load(tmp_path / "no.toml", environ={})
        (fault,) = raised.value.faults
        assert fault.file == str(tmp_path / "no.toml")
        assert "config/stillwell.toml" in fault.do

    def test_the_environment_names_the_file(self, tmp_path: Path) -> None:
        file = tmp_path / "other.toml"
        file.write_text(GOOD)
        assert load(environ={"STILLWELL_CONFIG": str(file)}).file == file

    def test_without_any_name_it_is_the_one_in_etc(self) -> None:
        from stillwell.settings.loading import find

        assert find(None, {}) == Path("/etc/stillwell/stillwell.toml")

    @pytest.mark.parametrize("name", [".", "\0", "no/such/folder.toml"])
    def test_what_is_no_file_is_a_config_error(self, tmp_path: Path, name: str) -> None:
        with pytest.raises(ConfigError):
            load(tmp_path / name, environ={})

    def test_an_empty_file_lacks_everything_on_line_one(self, tmp_path: Path) -> None:
        faults = faults_of(tmp_path, "")
        assert {fault.key for fault in faults} >= {"tank", "source", "channel"}
        assert {fault.line for fault in faults} == {1}
        assert any("[source.NAME]" in fault.do for fault in faults)


class TestWhatIsLoaded:
    def test_values_are_in_the_inside_units(self, tmp_path: Path) -> None:
        settings = settings_of(tmp_path, GOOD)
        band = settings.band["water"]
        assert settings.tank.volume == 68_000.0
        assert settings.tank.chamber is not None
        assert settings.tank.chamber.area_mm2 == 180.0 * 90.0
        assert (band.target, band.tolerance, band.deadband, band.on_delay) == (
            25.3,
            0.5,
            0.1,
            300.0,
        )
        assert settings.source["tank"].channels == ("water-a", "water-b", "float-low", "humidity")
        assert settings.source_of("float-low").name == "tank"
        assert settings.night.review_at.isoformat() == "08:05:00"

    def test_a_relative_store_lies_beside_the_file(self, tmp_path: Path) -> None:
        settings = settings_of(tmp_path, GOOD + '[store]\npath = "tank.db"\n')
        assert settings.store_path == tmp_path / "tank.db"

    @pytest.mark.parametrize(
        ("old", "new", "key", "what", "do"),
        [
            ('"68 L"', '"68000 L"', "tank.volume", "A tank of 68000.0 L is unusual", "its unit"),
            ('"68 L"', '"680 mL"', "tank.volume", "A tank of 680 mL is unusual", "its unit"),
            ("-12 mm", "-4 m", "channel.float-low.height", "below -45 mm", "negative below it"),
            ("-12 mm", "40 mm", "channel.float-low.height", "above 25 mm", "negative below it"),
            ("Europe/Dublin", "EST", "tank.zone", "no summer time", '"America/New_York"'),
            ("Europe/Dublin", "Etc/GMT+6", "tank.zone", "no summer time", '"America/Chicago"'),
        ],
    )
    def test_what_is_most_likely_a_slip_is_asked_about(
        self, tmp_path: Path, old: str, new: str, key: str, what: str, do: str
    ) -> None:
        good = GOOD.replace('"-45 mm"', '"-45 mm"\nhighest_safe = "25 mm"')
        assert settings_of(tmp_path, good).warnings == ()
        (warning,) = settings_of(tmp_path, good.replace(old, new)).warnings
        assert (warning.key, what in warning.what, do in warning.do) == (key, True, True), warning

    def test_a_float_far_away_is_asked_about_without_a_chamber_too(self, tmp_path: Path) -> None:
        start, end = GOOD.index("[tank.chamber]"), GOOD.index("[night]")
        far = (GOOD[:start] + GOOD[end:]).replace("-12 mm", "-4 m")
        (warning,) = settings_of(tmp_path, far).warnings
        assert "The float closes at -4000 mm" in warning.what

    def test_a_tank_without_a_band_is_warned_about(self, tmp_path: Path) -> None:
        start, end = GOOD.index("[band.water]"), GOOD.index("[state.top-up]")
        (warning,) = settings_of(tmp_path, GOOD[:start] + GOOD[end:]).warnings
        assert "no [band" in warning.what
