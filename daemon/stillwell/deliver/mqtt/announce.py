"""Tells a home-automation server which of our topics are sensors, alarms and buttons, by retained
discovery messages in the open convention of Home Assistant's MQTT integration. Pure.

Each thing has a topic ``homeassistant/<component>/stillwell-<tank>/<thing>/config`` of its own,
whose JSON says where its state is. An empty message there removes the thing.

Source: the integration's documentation, "MQTT Discovery", "MQTT Sensor", "MQTT Binary sensor" and
"MQTT Button".
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterator, Mapping
from typing import Any

from stillwell import __version__
from stillwell.deliver import senml
from stillwell.deliver.mqtt.exchange import Message
from stillwell.deliver.mqtt.topics import Topics
from stillwell.reading import UNIT, Quantity
from stillwell.request import Command

_HOME = "homeassistant"
_NO_WORD = re.compile(r"[^A-Za-z0-9_\-]")
_CLASS = {
    Quantity.TEMPERATURE: "temperature",
    Quantity.LEVEL: "distance",
    Quantity.HUMIDITY: "humidity",
    Quantity.PH: "ph",
    Quantity.FLOAT: "moisture",
}
"""Device classes; a float is "wet" when the water is at or above it."""
_SHOWN = {"Cel": "°C", "%RH": "%", "1": None, "": None, "pH": None}
"""The names of the store's units there, where they differ."""
_CONTACTS = frozenset({Quantity.FLOAT, Quantity.SWITCH})
_SENT = '"by": "home automation", "sent": "{{ utcnow().isoformat() }}"'
_BUTTONS = {
    "Acknowledge": (Command.ACKNOWLEDGE, ""),
    "Maintenance for 2 h": (Command.SHELVE, '"alarm": "maintenance", "for": "2 h", '),
    "End maintenance": (Command.UNSHELVE, '"alarm": "maintenance", '),
}


class Announcer:
    """Makes the discovery messages of one tank."""

    def __init__(self, names: Topics) -> None:
        self._names = names
        self._node = f"stillwell-{_word(names.tank)}"

    @property
    def all(self) -> str:
        """The filter that matches everything ever announced for this tank."""
        return f"{_HOME}/+/{self._node}/+/config"

    def is_ours(self, topic: str) -> bool:
        """Whether a topic is one of `all`."""
        parts = topic.split("/")
        return len(parts) == 5 and (parts[0], parts[2], parts[4]) == (_HOME, self._node, "config")

    def channels(self, channels: Mapping[str, Quantity]) -> Iterator[Message]:
        """Yields the messages that announce the channels and the buttons."""
        for channel, quantity in channels.items():
            topic = self._names.reading(channel)
            if quantity in _CONTACTS:
                state = _number(f"{self._names.tank}/{channel}", "'ON' if v[0] >= 0.5 else 'OFF'")
                yield self._thing("binary_sensor", channel, topic, state, _CLASS.get(quantity))
            else:
                yield self._sensor(channel, topic, UNIT[quantity], _CLASS.get(quantity))
        for name, (command, fields) in _BUTTONS.items():
            body = {
                "command_topic": self._names.commands.replace("+", command),
                "command_template": f"{{{fields}{_SENT}}}",
                "qos": 1,
            }
            yield self._config("button", name, body)

    def plan(self, alarms: Collection[str], estimates: Mapping[str, str]) -> Iterator[Message]:
        """Yields the messages that announce the alarms and the estimates, the latter by name
        with their units. One that has never come has no state there yet."""
        for alarm in sorted(alarms):
            topic = self._names.alarm(alarm)
            state = "{{ 'ON' if value_json.active else 'OFF' }}"
            more = {"json_attributes_topic": topic}
            yield self._thing("binary_sensor", alarm, topic, state, "problem", **more)
        for name, unit in estimates.items():
            kind = "temperature" if unit == "Cel" else None
            yield self._sensor(name, self._names.estimate(name), unit, kind)

    def _sensor(self, name: str, topic: str, unit: str, kind: str | None) -> Message:
        per = 1 / senml.registered(1.0, unit)[0]
        value = "v[0]" if per == 1 else f"(v[0] * {per:g}) | round(6)"
        more: dict[str, Any] = {"state_class": "measurement"}
        shown = _SHOWN.get(unit, unit)
        if shown is not None:
            more["unit_of_measurement"] = shown
        state = _number(f"{self._names.tank}/{name}", value)
        return self._thing("sensor", name, topic, state, kind, **more)

    def _thing(
        self, component: str, name: str, topic: str, template: str, kind: str | None, **more: Any
    ) -> Message:
        body = {"state_topic": topic, "value_template": template, **more}
        if kind is not None:
            body["device_class"] = kind
        return self._config(component, name, body)

    def _config(self, component: str, name: str, body: Mapping[str, Any]) -> Message:
        word = _word(name)
        tank = self._names.tank
        config = {
            "name": name,
            "unique_id": f"{self._node}-{word}",
            "object_id": f"{_word(tank)}_{word}",
            "availability_topic": self._names.alive,
            "availability_template": (
                "{{ 'online' if value_json.state == 'online' else 'offline' }}"
            ),
            "device": {
                "identifiers": [self._node],
                "name": tank,
                "model": "stillwell",
                "sw_version": __version__,
            },
            "origin": {"name": "stillwell", "sw_version": __version__},
            **body,
        }
        topic = f"{_HOME}/{component}/{self._node}/{word}/config"
        return Message(topic, json.dumps(config, ensure_ascii=False).encode(), retain=True)


def _number(record: str, value: str) -> str:
    """Returns a template for a value of a SenML record, ``v[0]``; it gives None where the pack
    has no such record."""
    chosen = f"value_json | selectattr('n', 'eq', '{record}') | map(attribute='v') | list"
    return f"{{% set v = {chosen} %}}{{{{ ({value}) if v else None }}}}"


def _word(name: str) -> str:
    """Returns a name as one level of a discovery topic: letters, digits, _ and -."""
    return _NO_WORD.sub("_", name)
