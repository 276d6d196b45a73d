"""Home Assistant's core with its MQTT integration and nothing else, run by the Python of its own
environment (homeassistant==2024.3.3, paho-mqtt==1.6.1, janus==1.0.0)::

    python home_server.py FOLDER BROKER_PORT

It prints a line when it is ready and answers lines: ``states`` with every entity's state and
attributes as JSON, ``press ENTITY`` after a button was pressed.
"""

from __future__ import annotations

import asyncio
import json
import sys

from homeassistant import bootstrap, config_entries, core, loader


async def main(folder: str, port: int) -> None:
    hass = core.HomeAssistant(folder)
    hass.config.skip_pip = True
    loader.async_setup(hass)
    hass.config_entries = config_entries.ConfigEntries(hass, {})
    await bootstrap.async_load_base_functionality(hass)
    await hass.async_start()
    # What the integration could do with these is not wanted here.
    hass.config.components.update({"file_upload", "http"})
    broker = {"broker": "127.0.0.1", "port": port, "discovery": True}
    entry = config_entries.ConfigEntry(
        version=1, minor_version=1, domain="mqtt", title="broker", source="user", data=broker
    )
    await hass.config_entries.async_add(entry)
    print("ready", entry.state, flush=True)
    asked: asyncio.Queue[str] = asyncio.Queue()
    asyncio.get_running_loop().add_reader(sys.stdin, lambda: asked.put_nowait(sys.stdin.readline()))
    while words := (await asked.get()).split():
        await hass.async_block_till_done()
        if words[0] == "states":
            states = {s.entity_id: [s.state, dict(s.attributes)] for s in hass.states.async_all()}
            print(json.dumps(states, default=str), flush=True)
        elif words[0] == "press":
            given = {"entity_id": words[1]}
            await hass.services.async_call("button", "press", given, blocking=True)
            print("pressed", flush=True)


asyncio.run(main(sys.argv[1], int(sys.argv[2])))
