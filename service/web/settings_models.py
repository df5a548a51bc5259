"""What the API takes and gives of the shop's settings."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from service.store.shop_settings import SettingsBook, Source
from service.web.inputs import _In
from service.web.models import _Out

__all__ = ["SettingsIn", "SettingsOut", "settings_out"]


class SettingsIn(_In):
    """Settings to change; null lets one go back to its default."""

    name: Annotated[str, Field(max_length=80)] | None = None
    zone: Annotated[str, Field(max_length=64, examples=["Europe/Lisbon"])] | None = None
    units: Literal["metric", "us"] | None = None
    clock: Literal[12, 24] | None = None
    altitude_m: float | None = None
    stale_after_s: float | None = None
    check_every_days: int | None = None
    keep_raw_days: int | None = None

    def given(self) -> dict[str, Any]:
        """Those that were sent, null ones too."""
        return {name: getattr(self, name) for name in self.model_fields_set}


class SettingsOut(_Out):
    """The settings in force, and where each comes from.

    ``zone`` is null where it is the machine's own, ``keep_raw_days`` where readings stay for good.
    What comes from the environment or the file cannot be changed here.
    """

    name: str
    zone: str | None
    units: str
    clock: int
    altitude_m: float
    stale_after_s: float
    check_every_days: int
    keep_raw_days: int | None
    sources: dict[str, Source]


def settings_out(book: SettingsBook) -> SettingsOut:
    """The settings."""
    return SettingsOut(**vars(book.now) | {"sources": book.sources()})
