"""The panel's settings: no other network without a password, nor without TLS unless asked for."""

import json
from pathlib import Path
from typing import Any

import pytest

from dustcake.settings.errors import SettingsError
from dustcake.settings.load import load_settings
from dustcake.settings.summary import summary
from system_support import settings

USERS = {"users_file": "/etc/dustcake/panel-users.json"}
TLS = {"tls": {"cert_file": "/etc/dustcake/cert.pem", "key_file": "/etc/dustcake/key.pem"}}


def loaded(directory: Path, panel: dict[str, Any]) -> Any:
    file = settings.write(directory, settings.tcp_bus(502), settings.collector(), panel=panel)
    return load_settings(file)


@pytest.mark.parametrize(
    ("panel", "shows_to_all"),
    [
        ({}, True),
        ({"host": "localhost"}, True),
        ({"open_view": False, **USERS}, False),
        ({"host": "0.0.0.0", **USERS, **TLS}, False),
        ({"host": "192.0.2.7", **USERS, "allow_plaintext": True}, False),
    ],
)
def test_who_sees_without_signing_in(
    tmp_path: Path, panel: dict[str, Any], shows_to_all: bool
) -> None:
    assert loaded(tmp_path, panel).panel.shows_to_all is shows_to_all


@pytest.mark.parametrize(
    ("panel", "told"),
    [
        ({"open_view": False}, {"panel.open_view": "add users_file"}),
        ({"host": "0.0.0.0", **TLS}, {"panel.host": "add users_file"}),
        ({"host": "192.0.2.7", **USERS}, {"panel.host": "allow_plaintext = true"}),
        ({"users_file": "users.json"}, {"panel.users_file": "absolute path"}),
        ({"tls": {"cert_file": "/c.pem"}}, {"panel.tls.key_file": "key_file"}),
        ({"password": "x"}, {"panel.password": ""}),
    ],
)
def test_what_is_refused_says_how_to_put_it_right(
    tmp_path: Path, panel: dict[str, Any], told: dict[str, str]
) -> None:
    with pytest.raises(SettingsError) as refused:
        loaded(tmp_path, panel)
    found = {problem.setting: json.dumps(str(problem)) for problem in refused.value.problems}
    for setting, remedy in told.items():
        assert remedy in found[setting]


def test_what_is_understood_warns_of_passwords_in_the_clear(tmp_path: Path) -> None:
    for panel, cautions in (({}, 0), ({"host": "192.0.2.7", **USERS, "allow_plaintext": True}, 1)):
        told = [one for one in summary(loaded(tmp_path, panel)) if one.subject == "panel"]
        assert told[0].text.startswith("http://")
        assert sum(one.caution for one in told) == cautions
