"""The view of the settings: each with its value and where that came from."""

from collections.abc import Sequence
from dataclasses import dataclass

from cyclerule.project.settings import Setting


@dataclass(frozen=True)
class SettingView:
    """A setting; `value` is as one types it, empty where there is none."""

    name: str
    value: str
    origin: str


def view_settings(settings: Sequence[Setting]) -> list[SettingView]:
    """Makes the view of settings."""
    return [SettingView(each.name, _text(each.value), each.origin) for each in settings]


def _text(value: object) -> str:
    match value:
        case None:
            return ""
        case dict():
            return " ".join(f"{name}={each}" for name, each in value.items())
        case tuple() | list():
            return " ".join(map(str, value))
        case _:
            return str(value)
