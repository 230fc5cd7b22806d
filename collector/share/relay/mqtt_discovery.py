"""Messages by which a home automation server finds a person's newest values on the broker, without hand work.

The convention is that of open home automation servers, 'MQTT discovery': a retained message at
PREFIX/sensor/NODE/OBJECT/config says where a value stands and how it is read (the servers' own documentation of their
sensors over MQTT). PREFIX is what the server listens at.
"""

from collections.abc import Mapping, Sequence
from hashlib import sha256
from typing import Any

from collector.share.export.rows import json_text
from collector.store.values import MMHG_PER_KPA, Reading


def _pressure(name: str) -> Mapping[str, Any]:
    value = f"value_json.{name}"
    return {
        "value_template": f"{{% if {value} is not none %}}{{{{ {value} if value_json.unit == 'mmHg' else "
        f"({value} * {MMHG_PER_KPA}) | round(1) }}}}{{% endif %}}",
        "unit_of_measurement": "mmHg",
        "state_class": "measurement",
    }


VALUES: Mapping[str, Mapping[str, Any]] = {
    "Systolic": _pressure("systolic"),
    "Diastolic": _pressure("diastolic"),
    "Pulse": {
        "value_template": "{% if value_json.pulse is not none %}{{ value_json.pulse }}{% endif %}",
        "unit_of_measurement": "bpm",
        "state_class": "measurement",
    },
    "Time": {"value_template": "{{ value_json.taken_at }}", "device_class": "timestamp"},
}
"""What is shown of a person, by the name it has there."""


def everywhere(prefix: str, station: str) -> str:
    """The topics of all messages that are this station's."""
    return f"{prefix}/sensor/{_node(station)}/+/config"


def messages(
    prefix: str, station: str, presence: str, newest: Sequence[tuple[Reading, str]]
) -> Mapping[str, tuple[str, str]]:
    """By topic, (the text, '') for each value. newest: a person's reading and the topic where it is retained."""
    found = {}
    for reading, state in newest:
        person = sha256(f"{station}/{reading.person}".encode("utf-8", "replace")).hexdigest()[:16]
        device = {"identifiers": [f"{_node(station)}_{person}"], "name": reading.person or "unassigned"}
        for name, said in VALUES.items():
            own = f"{person}_{name.lower()}"
            found[f"{prefix}/sensor/{_node(station)}/{own}/config"] = (
                json_text(
                    {
                        "name": name,
                        "unique_id": f"{_node(station)}_{own}",
                        "state_topic": state,
                        "availability_topic": presence,
                        "payload_available": "online",
                        "payload_not_available": "offline",
                        "device": device,
                        **said,
                    }
                ),
                "",
            )
    return found


def _node(station: str) -> str:
    return f"quietcuff_{station}"
