"""Which ways to reach people there are, by the settings alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from service.notify.channels import make_senders
from service.notify.channels.making import make_vapid
from service.settings import SettingError, Settings
from service.store.db import Database
from service.store.facts import Facts
from service.web.people_words import CHANNEL_KINDS, FORMS


def kinds(folder: Path, database: Database, **given: Any) -> set[str]:
    settings = Settings(_env_file=None, data=folder, **given)
    return set(make_senders(settings, Facts(database), lambda *_: True))


def test_mail_is_there_where_a_server_is_set(tmp_path: Path, database: Database) -> None:
    without = kinds(tmp_path, database)
    assert without == {"webpush", "webhook", "mqtt", "apprise"}
    with_mail = kinds(tmp_path, database, smtp_host="mail.example", smtp_from="a@b.example")
    assert with_mail == without | {"email"}


def test_every_kind_has_a_name_and_all_but_push_a_form(tmp_path: Path, database: Database) -> None:
    there = kinds(tmp_path, database, smtp_host="mail.example", smtp_from="a@b.example")
    assert there == set(CHANNEL_KINDS)
    assert there - {"webpush"} == set(FORMS)


def test_a_setting_that_cannot_be_is_named(tmp_path: Path, database: Database) -> None:
    with pytest.raises(SettingError, match=r"^BOOTHGLASS_SMTP_FROM: "):
        kinds(tmp_path, database, smtp_host="mail.example")
    with pytest.raises(ValueError, match="contact"):
        kinds(tmp_path, database, contact="ana")


def test_push_services_are_told_whom_to_write_to(tmp_path: Path, database: Database) -> None:
    def contact(**given: Any) -> str:
        settings = Settings(_env_file=None, data=tmp_path, **given)
        return make_vapid(settings, Facts(database))._contact

    mail = {"smtp_host": "mail.example", "smtp_from": "a@b.example"}
    assert contact(contact="https://saltmarsh.example", **mail) == "https://saltmarsh.example"
    assert contact(**mail) == "mailto:a@b.example"
    assert contact().startswith("mailto:")


def test_what_is_loaded_at_start_is_light(tmp_path: Path) -> None:
    """The libraries for keys, calendars and services are loaded when first needed."""
    import subprocess
    import sys

    script = (
        "import sys, service.notify.channels\n"
        "print({'cryptography', 'apprise', 'icalendar', 'http_ece'} & set(sys.modules))"
    )
    said = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert said.stdout.strip() == "set()"
