"""Settings: a TOML file becomes one frozen, typed object; unknown keys are refused with the nearest known one."""

import tomllib
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from pipeline.contract.timezones import known_zones
from pipeline.contract.vocabulary import SITE_GROUPS
from pipeline.errors import UsageError

SETTINGS_NAME = "scapha.toml"


class Settings(BaseModel):
    """What a chain may set. The defaults hold where nothing is set."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    chain_name: str = Field(default="", max_length=80, description="what the pages call the business")
    timezone: str = Field(default="UTC", description="time zone of branches that have none")
    adult_age: int = Field(default=18, ge=0, le=120, description="age from which no guardian is needed")
    allowed_site_groups: tuple[str, ...] = Field(
        default=("lobe", "upper_cartilage"), strict=False, description="site groups the local rules allow"
    )

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value not in known_zones():
            raise ValueError("use a name from the IANA time zone list, such as UTC")
        return value

    @field_validator("allowed_site_groups")
    @classmethod
    def _known_groups(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        known = sorted(set(SITE_GROUPS.values()))
        if not set(value) <= set(known):
            raise ValueError(f"use any of {', '.join(known)}")
        return value


def find_settings(inbox: Path | None) -> Path | None:
    """The settings file that holds where none is named: in the inbox, else in the current folder."""
    places = [inbox / SETTINGS_NAME] if inbox else []
    return next((place for place in [*places, Path(SETTINGS_NAME)] if place.is_file()), None)


def read_settings(path: Path | None) -> Settings:
    """Read a settings file; without one the defaults hold. `UsageError` names every fault at once."""
    if path is None:
        return Settings()
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError(f"The settings {path} cannot be read: {error.strerror}.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"The settings {path} are no TOML: {error}.") from None
    try:
        return Settings.model_validate(found)
    except ValidationError as error:
        faults = "; ".join(_fault(fault) for fault in error.errors())
        raise UsageError(f"The settings {path} do not hold: {faults}.") from None


def _fault(fault: Any) -> str:
    name = ".".join(str(part) for part in fault["loc"])
    if fault["type"] == "extra_forbidden":
        near = get_close_matches(name, list(Settings.model_fields), n=1)
        return f"{name} is no setting" + (f" (did you mean {near[0]}?)" if near else "")
    return f"{name}: {fault['msg']}"
