"""What deploy/hub hands to a household: filled in it names things that the hub gets from us. tests/hub tries it for real."""

from __future__ import annotations

import re
import subprocess
from typing import Any

import pytest
import yaml

from config.cuts import CUTS
from daemon.core.orders import MarkKind
from daemon.shell.hub import discovery, homie
from daemon.shell.hub.places import places
from tests.shell.hub.hub_scenario import night, two_pits
from tests.system.hub.mqtt_broker import ROOT

HUB_FILES = ROOT / "deploy" / "hub"
NAMES = ("The long pit", "notify.mobile_app_phone", "light.bedroom", "media_player.bedroom", "tts.home")
OWN = {"binary_sensor.the_long_pit_should_be_watched"}
"""Made by the package itself."""


def run(script: str, *arguments: str) -> str:
    command = ["sh", str(HUB_FILES / script), *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def slug(words: str) -> str:
    """As the hub makes an id of a name: lower case, everything else one underscore (its public documentation)."""
    return re.sub(r"[^a-z0-9]+", "_", words.lower()).strip("_")


@pytest.fixture(scope="module")
def ids() -> set[str]:
    hub = discovery.Hub("homeassistant", "pit", "The long pit", "homie/5/pit", "pitvigil/pit", announcing=("bedroom",))
    return {
        f"{entity.platform}.{slug(device.name + ' ' + (entity.settings['name'] or ''))}"
        for device in discovery.devices(hub, homie.nodes(night()[2]))
        for entity in device.entities
    }


@pytest.mark.parametrize("file", ["package.yaml", "card.yaml"])
def test_every_entity_it_names_comes_from_us(file: str, ids: set[str]) -> None:
    text = run("fill-in.sh", file, *NAMES)
    named = set(re.findall(r"\b(?:binary_sensor|sensor|button|event|switch|number|notify)\.the_long_pit\w*", text))
    assert len(named) >= 6 and named <= ids | OWN
    assert not re.search(r"PIT|PHONE|BEDROOM|VOICE|FIRE|FIRST|OF_|each pit", text)
    assert not re.search(r"(sensor|button)\.(notify|light|media|tts)", text)


@pytest.mark.parametrize("file", ["package.yaml", "card.yaml"])
def test_for_two_pits_it_names_the_watch_and_both(file: str) -> None:
    hub = discovery.Hub(
        "homeassistant", "offset", "Pit watch", "homie/5/offset-watch", "pitvigil/offset", announcing=("b",)
    )
    known = {
        f"{entity.platform}.{slug(device.name + ' ' + (entity.settings['name'] or ''))}"
        for device in discovery.devices(hub, homie.nodes(two_pits(1)[2]))
        for entity in device.entities
    }
    given = NAMES[1:] if file == "package.yaml" else ()
    text = run("fill-in.sh", file, "Pit watch", *given, "Offset", "Drum")
    found = set(
        re.findall(r"\b(?:binary_sensor|sensor|button|event|switch|number|notify)\.(?:pit_watch|offset|drum)\w*", text)
    )
    announced = {name.replace("announcement_b", "announcement") for name in known}
    assert found - announced == ({"binary_sensor.pit_watch_should_be_watched"} if file == "package.yaml" else set())
    assert {"button.offset_mark_log_is_on", "button.drum_mark_log_is_on"} <= found
    assert yaml.safe_load(text)


def test_the_package_is_what_a_hub_can_read() -> None:
    package: dict[str, Any] = yaml.safe_load(run("fill-in.sh", "package.yaml", *NAMES))
    assert {automation["id"] for automation in package["automation"]} == {
        "the_long_pit_announcement", "the_long_pit_phone", "the_long_pit_silence"
    }  # fmt: skip
    assert {name.removeprefix("the_long_pit_") for name in package["script"]} == {
        "core_read_by_hand", "mark_made_earlier", "add_a_piece", "remove_a_piece", "remind_me"
    }  # fmt: skip
    cut = package["script"]["the_long_pit_add_a_piece"]["fields"]["cut"]
    assert cut["selector"]["select"]["options"] == list(CUTS)
    marks = package["script"]["the_long_pit_mark_made_earlier"]["fields"]["what"]
    assert sorted(marks["selector"]["select"]["options"]) == sorted(MarkKind)
    text = str(package)
    assert all(name in text for name in NAMES[1:])


@pytest.mark.parametrize(
    "wrong",
    [
        (),
        ("package.yaml",),
        ("package.yaml", "The long pit"),
        ("access.sh", "The long pit"),
        ("card.yaml", "Die Grübe"),
    ],
)
def test_what_is_missing_is_said(wrong: tuple[str, ...]) -> None:
    done = subprocess.run(["sh", str(HUB_FILES / "fill-in.sh"), *wrong], capture_output=True, text=True, check=False)
    assert done.returncode == 2 and done.stderr and not done.stdout


def test_every_topic_of_a_watch_over_two_pits_may_be_written_and_every_order_heard() -> None:
    _, _, snapshot = two_pits(1)
    ours = run("access.sh", "offset+drum").split("user ")[1].splitlines()
    homes = {"": "offset-watch"} | {place.id: place.id for place in places(snapshot)}
    assert len(homes) == 4
    for home in homes.values():
        assert f"topic write homie/5/{home}/#" in ours and f"topic read homie/5/{home}/+/+/set" in ours
    assert "topic write homeassistant/+/pitvigil_offset/#" in ours and not any("+drum" in line for line in ours)
    alone = run("access.sh", "offset").split("user ")[1].splitlines()
    assert {line for line in ours if line not in alone} == {
        f"topic {may}" for home in homes.values() if home != "offset"
        for may in (f"write homie/5/{home}/#", f"read homie/5/{home}/+/+/set")
    }  # fmt: skip


def test_joining_a_broker_names_the_same_rights_as_making_one() -> None:
    made = run("access.sh", "pit", "yard").split("user ")
    told = run("join-broker.sh", "hub.local", "pit", "yard")
    for section in made[1:3]:  # pitvigil and hub
        for line in section.splitlines()[1:]:
            assert line in told
    assert told.count('host = "hub.local"') == 2
    assert "topic write homie/5/drum/#" in run("join-broker.sh", "hub.local", "offset+drum")
    for pit in ("pit", "yard"):
        assert f"topic write pitvigil/{pit}/orders/ann" in told
