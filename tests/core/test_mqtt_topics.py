"""MQTT topics and payloads, and the AsyncAPI document that describes them, each against the other.

`asyncapi-3.0.0.schema.json.gz` is ``schemas/3.0.0-without-$id.json`` of the npm package
@asyncapi/specs 6.11.1 (Apache-2.0, Copyright 2016-2025 AsyncAPI Initiative), unchanged but for
gzip.
"""

from __future__ import annotations

import copy
import gzip
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

import in_words
from stillwell.deliver.mqtt import commands, link, topics
from stillwell.deliver.mqtt.topics import Topics
from stillwell.finding import Over
from stillwell.notice import Message, Notice, Priority, Prose, Said, State, Told, Transition
from stillwell.ports import Published
from stillwell.reading import Flag, Moment, Quantity, Reading
from stillwell.request import Command, NoteRequest, Reply, Request

HERE = Path(__file__).parent
DOCUMENT: dict[str, Any] = json.loads(
    (HERE.parents[1] / "config" / "asyncapi.json").read_text("utf-8")
)
NAMES = Topics("stillwell", "reading-room")
NOW = 1_764_037_862_500  # 2025-11-25T02:31:02.500Z

texts = st.text(max_size=40)
moments = st.builds(
    Moment, st.integers(0, 2**40), st.integers(-(2**50), 2**62), st.integers(0, 2**40)
)
transitions = st.builds(
    Transition,
    alarm=st.just("water.low"),
    moment=moments,
    before=st.sampled_from(State),
    after=st.sampled_from(State),
    event=st.just("raise"),
    priority=st.sampled_from(Priority),
    active=st.booleans(),
    facts=st.builds(Message, texts, texts, texts, texts),
    since=moments,
    by=texts,
    shelved_for_ms=st.integers(0, 2**40),
)
notices = st.builds(
    Notice, texts, texts, texts, st.sampled_from(Priority), moments, st.builds(Prose, texts, texts)
)
floats = st.none() | st.floats()
estimates = st.builds(
    Published,
    st.just("loss"),
    st.integers(0, 2**45),
    st.just("mL/h"),
    floats,
    floats,
    floats,
    texts,
)
readings = st.builds(Reading, st.just("water-a"), moments, floats, st.sampled_from(Flag), texts)


def validate(schema: str, payload: bytes) -> Any:
    """Checks a payload of ours against the document's schema for it."""
    body = json.loads(payload.decode("utf-8"))
    jsonschema.Draft202012Validator(DOCUMENT["components"]["schemas"][schema]).validate(body)
    return body


def examples(message: str) -> dict[str, Any]:
    found = DOCUMENT["components"]["messages"][message]["examples"]
    return {example["name"]: example["payload"] for example in found}


@pytest.fixture(scope="module")
def published() -> Any:
    with gzip.open(HERE / "asyncapi-3.0.0.schema.json.gz") as file:
        return jsonschema.Draft7Validator(json.load(file))


class TestDocument:
    def test_it_is_valid_by_the_published_schema(self, published: Any) -> None:
        assert [error.message for error in published.iter_errors(DOCUMENT)] == []

    def test_the_published_schema_would_notice_mistakes(self, published: Any) -> None:
        for path, value in (
            (("operations", "publishNotice", "action"), "publish"),
            (("info", "title"), None),
            (("channels", "notice", "qos"), 1),
        ):
            broken: Any = copy.deepcopy(DOCUMENT)
            spot = broken
            for key in path[:-1]:
                spot = spot[key]
            spot[path[-1]] = value
            assert list(published.iter_errors(broken)), path

    def test_every_reference_leads_somewhere(self) -> None:
        def references(node: Any) -> list[str]:
            if isinstance(node, dict):
                here = [node["$ref"]] if "$ref" in node else []
                return here + [ref for value in node.values() for ref in references(value)]
            if isinstance(node, list):
                return [ref for value in node for ref in references(value)]
            return []

        found = references(DOCUMENT)
        assert found
        for reference in found:
            node: Any = DOCUMENT
            for key in reference.removeprefix("#/").split("/"):
                node = node[key]

    def test_its_addresses_are_the_codes_topics(self) -> None:
        fill = {
            name: parameter["examples"][0]
            for name, parameter in DOCUMENT["components"]["parameters"].items()
        }
        addresses = {
            name: channel["address"].format(**fill)
            for name, channel in DOCUMENT["channels"].items()
        }
        assert addresses == {
            "reading": NAMES.reading("water-a"),
            "estimate": NAMES.estimate("loss"),
            "alarm": NAMES.alarm("water.low"),
            "notice": NAMES.notice,
            "alive": NAMES.alive,
            "do": NAMES.commands.replace("+", "acknowledge"),
            "done": NAMES.done,
        }
        for name, channel in DOCUMENT["channels"].items():
            used = {part[1:-1] for part in channel["address"].split("/") if part[0] == "{"}
            assert used == set(channel["parameters"]), name

    def test_its_commands_and_states_are_the_codes(self) -> None:
        parameters = DOCUMENT["components"]["parameters"]
        assert parameters["command"]["enum"] == sorted(Command)
        schemas = DOCUMENT["components"]["schemas"]
        assert schemas["alarm"]["properties"]["state"]["enum"] == list(State)
        assert schemas["alarm"]["properties"]["priority"]["enum"] == list(Priority)

    def test_its_connection_is_the_codes(self) -> None:
        said = DOCUMENT["servers"]["broker"]["bindings"]["mqtt"]
        assert said["lastWill"]["topic"] == NAMES.alive
        assert said["lastWill"]["message"].encode() == topics.LOST
        assert said["sessionExpiryInterval"] == link.SESSION_S

    @pytest.mark.parametrize("message", sorted(DOCUMENT["components"]["messages"]))
    def test_every_example_fits_its_own_schema(self, message: str) -> None:
        schema = DOCUMENT["components"]["messages"][message]["payload"]["$ref"].split("/")[-1]
        for payload in examples(message).values():
            validate(schema, json.dumps(payload).encode())


class TestExamples:
    """The document's examples are what the code makes, to the last field."""

    def test_readings(self) -> None:
        at = Moment(0, 1_764_061_914_123)
        made = {
            "good": Reading("water-a", at, 25.3125, Flag.PASS),
            "rejected": Reading("water-a", at, 85.0, Flag.FAIL, "power-on"),
            "missing": Reading("water-a", at, None, Flag.MISSING, "gap"),
        }
        for name, payload in examples("reading").items():
            ours = topics.reading_payload("reading-room", Quantity.TEMPERATURE, made[name])
            assert json.loads(ours) == payload

    def test_an_estimate(self) -> None:
        published = Published(
            "loss", 1_764_061_914_000, "mL/h", 36.0, 18.0, 54.0, "float-low and two pours"
        )
        ours = json.loads(topics.estimate_payload("reading-room", published))
        assert ours == examples("estimate")["loss"]

    def test_an_alarm(self) -> None:
        said = examples("alarm")["raised"]
        words = Said(*(said[part] for part in ("title", "do", "seen", "why", "caution")))
        since = Moment(0, 1_764_036_600_000)
        now = Moment(1_200_000, since.utc_ms + 1_200_000, 3)
        raised = Transition(
            "water.low",
            now,
            State.NORMAL,
            State.UNACKNOWLEDGED,
            "raise",
            Priority.HIGH,
            True,
            Over(),
            since,
        )
        assert json.loads(topics.alarm_payload(raised, words)) == said

    def test_a_notice(self) -> None:
        said = examples("notice")["raised"]
        moment = Moment(0, 1_764_037_800_000)
        ours = Notice(
            said["key"],
            "water.low",
            "raised",
            Priority.HIGH,
            moment,
            Over(),
        )
        told = Told(said["title"], said["text"])
        assert json.loads(topics.notice_payload(ours, told)) == said

    def test_alive(self) -> None:
        said = examples("alive")
        assert json.loads(topics.birth(1_764_054_000_000, "0.1.0")) == said["online"]
        assert json.loads(topics.LOST) == said["lost"]
        assert json.loads(topics.STOPPED) == said["stopped"]

    def test_commands(self) -> None:
        said = examples("command")
        made = {name: json.dumps(payload).encode() for name, payload in said.items()}
        assert commands.parse("acknowledge", made["one"], NOW) == Request(
            Command.ACKNOWLEDGE, "water.low", "Niamh", about="3:1200000"
        )
        assert commands.parse("shelve", made["shelve"], NOW) == Request(
            Command.SHELVE, "top-up", "Niamh", 1800.0, age_s=2.5
        )
        assert commands.parse("reset", made["all"], NOW) == Request(Command.RESET, age_s=2.5)

    def test_answers(self) -> None:
        made = json.dumps(examples("answer")["one"]).encode()
        token = examples("answer")["one"]["token"]
        asked = Request(Command.ANSWER, by="Niamh", token=token)
        assert commands.parse("answer", made, NOW) == asked
        for bad in (b"", b"{}", b'{"token": ""}', b'{"token": 1}', b'{"alarm": "water.low"}'):
            assert isinstance(commands.parse("answer", bad, NOW), commands.Refused)

    def test_notes(self) -> None:
        made = {
            name: commands.parse("note", json.dumps(payload).encode(), NOW)
            for name, payload in examples("note").items()
        }
        assert made == {
            "pour": Request(
                Command.NOTE, by="Niamh", to_note=NoteRequest("pour", "1.2 L", at="18:30")
            ),
            "salinity": Request(
                Command.NOTE,
                to_note=NoteRequest("salinity", "1.0264", "25/25 degC", at="2025-11-25T09:00:00Z"),
            ),
            "correction": Request(
                Command.NOTE,
                to_note=NoteRequest("pour", "12 L", sure=True, strike=12, key="niamh-0031"),
            ),
            "strike": Request(Command.NOTE, by="Niamh", to_note=NoteRequest(strike=12)),
        }

    def test_replies(self) -> None:
        said = examples("reply")
        done = Reply(True, said["done"]["text"], ("water.low",))
        assert json.loads(topics.reply_payload(done, "acknowledge")) == said["done"]
        refused = commands.parse("acknowledge", b'{"alarm": "water.lwo"}', NOW, {"water.low"})
        assert isinstance(refused, commands.Refused)
        ours = topics.reply_payload(Reply(False, refused.text), "acknowledge")
        assert json.loads(ours) == said["refused"]


class TestEveryPayload:
    """Whatever the daemon has to say fits the document."""

    @given(transitions)
    def test_alarms(self, transition: Transition) -> None:
        body = validate("alarm", topics.alarm_payload(transition, in_words.said(transition)))
        assert body["text"] == str(in_words.said(transition))

    @given(notices)
    def test_notices(self, notice: Notice) -> None:
        assert (
            validate("notice", topics.notice_payload(notice, in_words.told(notice)))["key"]
            == notice.key
        )

    @given(readings, st.none() | st.sampled_from(Quantity))
    def test_readings(self, reading: Reading, quantity: Quantity | None) -> None:
        validate("senml", topics.reading_payload("reading-room", quantity, reading))

    @given(estimates)
    def test_estimates(self, published: Published) -> None:
        validate("senml", topics.estimate_payload("reading-room", published))

    @given(st.booleans(), texts, st.lists(texts, max_size=3))
    def test_replies(self, done: bool, text: str, alarms: list[str]) -> None:
        validate("reply", topics.reply_payload(Reply(done, text, tuple(alarms)), "acknowledge"))

    def test_a_text_that_has_no_utf_8_does_not_stop_an_alarm(self) -> None:
        moment = Moment(0, 0)
        ours = Notice("k", "s", "raised", Priority.LOW, moment, Prose("probe \udcff", "…"))
        assert (
            validate("notice", topics.notice_payload(ours, in_words.told(ours)))["title"]
            == r"probe \udcff"
        )


class TestNames:
    @pytest.mark.parametrize("name", ["", "a/b", "+", "#", "a b", "ä", "x" * 129, "-a", "$SYS"])
    def test_a_name_that_is_no_topic_level_is_an_error(self, name: str) -> None:
        with pytest.raises(ValueError, match="topic"):
            NAMES.reading(name)

    @pytest.mark.parametrize(
        ("topic", "word"),
        [
            ("stillwell/reading-room/do/acknowledge", "acknowledge"),
            ("stillwell/reading-room/do/a/b", None),
            ("stillwell/other/do/acknowledge", None),
            ("stillwell/reading-room/alive", None),
        ],
    )
    def test_a_command_is_the_last_level(self, topic: str, word: str | None) -> None:
        assert NAMES.command_of(topic) == word

    @pytest.mark.parametrize(
        ("topic", "may"),
        [
            ("phones/niamh", False),
            ("stillwell/reading-room/done", True),
            ("stillwell/reading-room/done/niamh", True),
            ("stillwell/reading-room/done/niamh/phone", True),
            ("stillwell/reading-room/done/", False),
            ("stillwell/reading-room/done/a//b", False),
            ("stillwell/reading-room/done/+", False),
            ("stillwell/reading-room/done/\u202ea", False),
            ("stillwell/reading-room/done/$SYS", False),
            ("stillwell/reading-room/done2", False),
            ("stillwell/reading-room-2/do/reset", False),
            ("stillwell/other/alarm/water.low", False),
            ("homeassistant/switch/heater/set", False),
            ("stillwell/reading-room", False),
            ("stillwell/reading-room/do/reset", False),
            ("stillwell/reading-room/alive", False),
            ("$SYS/broker", False),
            ("phones/+", False),
            ("phones/#", False),
            ("a\0b", False),
            ("a\ud800", False),
            ("", False),
            ("x" * 1025, False),
            ("stillwell/reading-room/done/" + "x/" * 512 + "x", False),
        ],
    )
    def test_where_a_reply_may_go(self, topic: str, may: bool) -> None:
        assert NAMES.may_reply_to(topic) is may

    @given(st.integers(-(2**70), 2**70))
    def test_any_time_has_a_text(self, utc_ms: int) -> None:
        text = topics.rfc3339(utc_ms)
        assert len(text) == 24
        assert text.endswith("Z")

    def test_a_known_time(self) -> None:
        # 2025-11-25 is day 20417 of 1970's count.
        assert topics.rfc3339(20417 * 86_400_000 + 7_530_250) == "2025-11-25T02:05:30.250Z"
