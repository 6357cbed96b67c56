"""All settings of a home, and where the effective value of each came from.

Precedence: flags > environment (``DEWLINE_<SECTION>_<NAME>``) > ``dewline.toml`` in the home > default.
All faults are found before anything starts and are raised together. Called by `dewline.cli`; the parts
receive the few values they need, never this tree.
"""

from __future__ import annotations

import difflib
import os
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import platformdirs
import pydantic_settings
from pydantic import (
    BaseModel,
    Field,
    SecretStr,
    ValidationError,
)
from pydantic_settings import BaseSettings, EnvSettingsSource, PydanticBaseSettingsSource, SettingsConfigDict
from sqlalchemy import make_url
from sqlalchemy.exc import ArgumentError

from dewline.sections import Analysis, Board, Broker, Database, Listener, Mail, Route, Store

ENV_PREFIX = "DEWLINE_"
FILE_NAME = "dewline.toml"
OUTSIDE_THE_TREE = frozenset({"DEWLINE_HOME", "DEWLINE_REQUIRE_ALL"})
"""Variables with the prefix that are no settings: the home itself and the test suite's switch."""


class SettingsError(ValueError):
    """Settings that can't be used. `faults` has one line for each thing that is wrong."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("; ".join(faults))
        self.faults = faults


class Settings(BaseSettings):
    """All sections. Built by `load` only."""

    model_config = SettingsConfigDict(
        env_prefix=ENV_PREFIX,
        env_nested_delimiter="_",
        env_nested_max_split=1,
        extra="forbid",
        frozen=True,
        use_attribute_docstrings=True,
    )

    broker: Broker = Field(default_factory=Broker)
    listener: Listener = Field(default_factory=Listener)
    store: Store = Field(default_factory=Store)
    database: Database = Field(default_factory=Database)
    analysis: Analysis = Field(default_factory=Analysis)
    mail: Mail = Field(default_factory=Mail)
    board: Board = Field(default_factory=Board)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Layers are merged by `load`, which has to know where each value came from."""
        return (init_settings,)


@dataclass(frozen=True, kw_only=True)
class Effective:
    """One setting as it holds now."""

    key: str
    value: object
    origin: str


@dataclass(frozen=True, kw_only=True)
class Loaded:
    """Settings, the home they hold for, and the origin of each by its dotted key."""

    home: Path
    settings: Settings
    origins: Mapping[str, str]

    @property
    def store_path(self) -> Path:
        """The readings file."""
        return self.home / self.settings.store.path

    @property
    def database_url(self) -> str:
        """URL of the operations database."""
        return self.settings.database.url or f"sqlite:///{self.home / 'operations.db'}"

    def make_home(self) -> bool:
        """Make the home's folder; whether it was missing."""
        missing = not self.home.exists()
        self.home.mkdir(parents=True, exist_ok=True)
        return missing

    @property
    def board_url(self) -> str:
        """How people reach the board."""
        board = self.settings.board
        return self.settings.board.public_url.rstrip("/") or f"http://{board.host}:{board.port}"

    def effective(self) -> Iterator[Effective]:
        """Every setting in the order of this file; secrets masked."""
        for key, value in leaves(self.settings):
            shown = without_password(str(value)) if key == "database.url" and value else masked(value)
            yield Effective(key=key, value=shown, origin=self.origins.get(key, "default"))


def named_home(flag: Path | None) -> Path | None:
    """The home folder that was asked for: the flag, else ``DEWLINE_HOME``; None when neither names one."""
    from_environment = os.environ.get("DEWLINE_HOME")
    named = flag or (Path(from_environment) if from_environment else None)
    return None if named is None else named.expanduser().absolute()


def resolve_home(flag: Path | None) -> Path:
    """The home folder: the one asked for, else the platform's place for a user's data."""
    return named_home(flag) or platformdirs.user_data_path("dewline", appauthor=False)


def load(home: Path, flags: Mapping[str, Any] | None = None) -> Loaded:
    """Effective settings of a home.

    Parameters
    ----------
    home : Path
        Folder that holds `dewline.toml`; neither need exist.
    flags : mapping, optional
        What the command line set, by dotted key, e.g. ``{"board.port": 8081}``.

    Raises
    ------
    SettingsError
        With every wrong key and value of every layer.
    """
    faults: list[str] = []
    path = home / FILE_NAME
    layers = [
        ("flag", _nested(flags or {})),
        ("environment", _environment(faults)),
        (str(path), _file(path, faults)),
    ]
    merged: dict[str, Any] = {}
    origins: dict[str, str] = {}
    for origin, layer in reversed(layers):
        for section, values in layer.items():
            if not isinstance(values, dict) or section not in Settings.model_fields:
                merged[section] = values
                origins[section] = origin
                continue
            merged.setdefault(section, {}).update(values)
            origins.update({f"{section}.{name}": origin for name in values})
    try:
        settings = Settings(**merged)
    except ValidationError as error:
        faults += [_fault(details, origins) for details in error.errors()]
    if faults:
        raise SettingsError(faults)
    return Loaded(home=home, settings=settings, origins=origins)


def secret(value: SecretStr, file: Path | None, home: Path, key: str) -> str:
    """A password from its setting or, when that is empty, from the first line of its file.

    Parameters
    ----------
    key : str
        The setting that names the file, for the error.

    Raises
    ------
    SettingsError
        When the file can't be read.
    """
    if value.get_secret_value() or file is None:
        return value.get_secret_value()
    path = home / file
    try:
        return path.read_text(encoding="utf-8").partition("\n")[0].strip()
    except OSError as error:
        raise SettingsError([f"{key}: {str(path)!r} can't be read: {error.strerror}"]) from error
    except UnicodeDecodeError as error:
        raise SettingsError([f"{key}: {str(path)!r} is no UTF-8 text"]) from error


def leaves(section: BaseModel, prefix: str = "") -> Iterator[tuple[str, object]]:
    """Dotted key and value of every setting below a section."""
    for name in type(section).model_fields:
        value = getattr(section, name)
        if isinstance(value, BaseModel):
            yield from leaves(value, f"{prefix}{name}.")
        else:
            yield prefix + name, value


def masked(value: object) -> object:
    """The value, or stars where a secret is set."""
    if isinstance(value, SecretStr):
        return "********" if value.get_secret_value() else ""
    if isinstance(value, tuple):
        return [item.model_dump(mode="json") if isinstance(item, BaseModel) else item for item in value]
    if isinstance(value, dict):
        return {name: masked(item) for name, item in value.items()}
    return value


def without_password(url: str) -> str:
    """A database URL with its password masked."""
    try:
        return make_url(url).render_as_string(hide_password=True)
    except ArgumentError:
        return "********"


def _nested(flags: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    tree: dict[str, dict[str, Any]] = {}
    for key, value in flags.items():
        section, _, name = key.partition(".")
        if value is not None:
            tree.setdefault(section, {})[name] = value
    return tree


def _environment(faults: list[str]) -> dict[str, Any]:
    known = tuple(f"{ENV_PREFIX}{section}_".upper() for section in Settings.model_fields)
    for name in sorted(os.environ):
        upper = name.upper()
        if upper.startswith(ENV_PREFIX) and upper not in OUTSIDE_THE_TREE and not upper.startswith(known):
            near = difflib.get_close_matches(upper, [_variable(key) for key, _ in leaves(Settings())], n=1)
            meant = f", did you mean {near[0]}?" if near else ""
            faults.append(f"environment variable {name}: there is no such setting{meant}")
    try:
        return EnvSettingsSource(Settings)()
    except pydantic_settings.SettingsError as error:
        faults.append(f"environment: {error}; lists and tables are written as JSON")
        return {}


def _variable(key: str) -> str:
    """The environment variable of a dotted key."""
    return ENV_PREFIX + key.replace(".", "_").upper()


def _file(path: Path, faults: list[str]) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        faults.append(f"{path}: {error}")
        return {}


def _is_secret(key: str) -> bool:
    return key == "database.url" or any(
        word in key for word in ("password", "secret", "logins", "api_tokens")
    )


def _fault(details: Any, origins: Mapping[str, str]) -> str:
    key = ".".join(str(part) for part in details["loc"])
    message = details["msg"].removeprefix("Value error, ")
    if details["type"] == "value_error" and isinstance(details["input"], dict):
        # A rule of a whole section: it speaks of the settings that were given there.
        given = [f"{key}.{name}" for name in details["input"] if f"{key}.{name}" in origins]
        told = ", ".join(f"{name} from {origins[name]}" for name in given)
        return f"{key} ({told or 'from default'}): {message}"
    origin = next((origins[known] for known in _upwards(key) if known in origins), "default")
    if details["type"] == "extra_forbidden":
        return f"{key} (from {origin}): there is no such setting{_nearest(details['loc'])}"
    if details["type"] in ("tuple_type", "list_type"):
        message = 'expected a list, like ["a@b"]' if "recipients" in key else 'expected a list, like ["a"]'
    if _is_secret(key) or isinstance(details["input"], dict):
        return f"{key} (from {origin}): {message}"
    return f"{key} (from {origin}): {details['input']!r} can't be used: {message}"


def _upwards(key: str) -> Iterator[str]:
    """The key and every key it lies in, from the inside out."""
    while key:
        yield key
        key = key.rpartition(".")[0]


def _nearest(loc: tuple[str | int, ...]) -> str:
    """What may have been meant by a key that does not exist; empty when nothing is like it."""
    *above, name = (str(part) for part in loc)
    known: list[str] = list(Settings.model_fields)
    if above:
        section = Settings.model_fields.get(above[0])
        kind = Route if above[1:2] == ["routes"] else section.annotation if section else None
        known = list(getattr(kind, "model_fields", ()))
    near = difflib.get_close_matches(name, known, n=1)
    return f", did you mean {near[0]}?" if near else ""
