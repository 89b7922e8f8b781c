"""A channel whose source its device can never hand out. No outside source: the names are the file's own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from config.devices import IioDevice
from config.loader import read_both
from config.sources import FIRST_OF_CHIP, sources_of
from tests.texts.english import problem_in_english

LINE = {"kind": "csv", "columns": ["pit", "chuck", "", "n"], "sequence": "n"}


@pytest.mark.parametrize(
    ("device", "known"),
    [
        ({"kind": "serial-line", "line": LINE}, ("pit", "chuck")),
        ({"kind": "serial-line", "line": {"kind": "csv"}}, None),
        ({"kind": "serial-line", "line": {"kind": "json", "fields": {"pit": "t.1"}}}, ("pit",)),
        ({"kind": "serial-line", "line": {"kind": "json", "fields": {}}}, None),
        ({"kind": "serial-line", "line": {"kind": "words", "chip": "max31855"}}, None),
        ({"kind": "modbus", "sources": [{"source": "a"}, {"source": "b"}]}, ("a", "b")),
        ({"kind": "modbus", "sources": [{"source": "a"}, "b"]}, None),
        ({"kind": "ble-gatt", "characteristics": [{"source": "1"}]}, ("1",)),
        ({"kind": "scpi", "channel_list": [101, 102]}, ("101", "102")),
        ({"kind": "iio", "source": "grate"}, ("grate",)),
        ({"kind": "iio"}, (FIRST_OF_CHIP,)),
        ({"kind": "ble-advert"}, None),
        ({"kind": 3}, None),
    ],
)
def test_a_device_hands_out_what_its_file_names(device: dict[str, Any], known: tuple[str, ...] | None) -> None:
    assert sources_of(device) == known
    assert IioDevice(kind="iio", id="a").source == FIRST_OF_CHIP


RIG = """[pit]
band = {{ low = 107, high = 135 }}
[people]
zone = "UTC"
[[devices]]
id = "board"
kind = "serial-line"
port = "/dev/null"
line = {{ kind = "csv", columns = ["pit", "chuck"] }}
[[channels]]
id = "grate"
role = "pit"
device = "board"
source = "pit"
[[channels]]
id = "meat"
role = "meat"
device = "board"
source = "{source}"
"""


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("chick", "; chuck may be meant. It has: pit, chuck"),
        ("Chuck", "; chuck may be meant. It has: pit, chuck"),
        ("7", "; it has: pit, chuck"),
    ],
)
def test_a_source_that_is_never_read_is_refused_with_those_that_are(tmp_path: Path, source: str, said: str) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG.format(source="chuck"))
    assert not read_both(rig, None).problems
    rig.write_text(RIG.format(source=source))
    (told,) = map(problem_in_english, read_both(rig, None).problems)
    assert told.endswith(f'channel meat, source = "{source}": the device has no such source{said}'), told
