#!/usr/bin/env python3
"""Checks discovery messages with the hub's own published package (PyPI: homeassistant, paho-mqtt).

The last version for Python 3.11 (2024.3) knows the entity form only; the device form carries the same components,
which this checks one by one. Not part of the tests: the package is large.

    python3 -m venv hub && hub/bin/pip install homeassistant==2024.3.3 paho-mqtt==1.6.1
    mosquitto_sub -t 'homeassistant/#' -F '%t %p' -W 5 | hub/bin/python tests/outside/hub_discovery.py
"""

import json
import pathlib
import sys

import jinja2
import voluptuous as vol
from homeassistant.components.mqtt import binary_sensor, button, sensor

SCHEMAS = {
    "sensor": sensor.DISCOVERY_SCHEMA,
    "binary_sensor": binary_sensor.DISCOVERY_SCHEMA,
    "button": button.DISCOVERY_SCHEMA,
}


def entities(topic, payload):
    """The entities of a message in the entity form, as (name, platform, config)."""
    levels = topic.split("/")
    if levels[1] == "device":
        shared = {key: payload[key] for key in ("device", "origin", "availability", "qos")}
        for name, component in payload["components"].items():
            platform = component["platform"]
            rest = {key: value for key, value in component.items() if key != "platform"}
            yield f"{levels[2]}/{name}", platform, {**rest, **shared}
    else:
        yield "/".join(levels[2:-1]), levels[1], payload


ROOT = pathlib.Path(__file__).resolve().parents[2]
ASSESSMENT = json.loads((ROOT / "fixtures/assessment/contract.json").read_text())
ASSESSMENT.setdefault("readings", {"days": 200})
# One payload for each topic a template reads, as the daemon publishes them.
PAYLOADS = {
    "assessment": (ASSESSMENT, ""),
    "alerts": ({"open": 1, "worst": "urgent", "says": "x", "alerts": {"no-light": {"says": "x"}}}, ""),
    "condition": (None, "due"),
    "clean-by": (None, "none"),
    "health": ({"units": 1, "readings_in": 2, "refused": {"no-time": 3}, "outbox": 0, "store_bytes": 9, "alerts": 1}, ""),
}


def rendered(config):
    """What the entity would show; jinja2 alone, without the hub's own filters."""
    value_json, value = PAYLOADS[config["state_topic"].rsplit("/", 1)[1]]
    environment = jinja2.Environment(undefined=jinja2.StrictUndefined)
    return environment.from_string(config["value_template"]).render(value_json=value_json, value=value)


def main():
    checked, bad, ids = 0, 0, set()
    for line in sys.stdin:
        topic, _, text = line.strip().partition(" ")
        if not topic.endswith("/config") or not text:
            continue
        for name, platform, config in entities(topic, json.loads(text)):
            checked += 1
            if "value_template" in config:
                try:
                    shown = rendered(config)
                except jinja2.TemplateError as error:
                    shown, bad = f"BAD {error}", bad + 1
                if "-v" in sys.argv:
                    print(f"{name}: {shown}")
            # The hub takes the origin apart before the schema.
            origin = config.pop("origin", None)
            if not origin or "name" not in origin:
                print(f"{name}: no origin")
                bad += 1
            if (platform, config["unique_id"]) in ids:
                print(f"{name}: {config['unique_id']} twice")
                bad += 1
            ids.add((platform, config["unique_id"]))
            try:
                SCHEMAS[platform](config)
            except vol.Invalid as error:
                print(f"{name}: {error}")
                bad += 1
    print(f"{checked} entities checked, {bad} bad")
    return 1 if bad or not checked else 0


sys.exit(main())
