"""The whole configuration, read through its layers."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pydantic_settings import (
    BaseSettings,
    InitSettingsSource,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    SettingsError,
)

from stillwell.settings.faults import Fault
from stillwell.settings.layers import Layers
from stillwell.settings.schema.answers import Page, Unanswered
from stillwell.settings.schema.book import Book, Night
from stillwell.settings.schema.channels import Channel
from stillwell.settings.schema.machine import SinkKeys, SourceKeys, Store
from stillwell.settings.schema.tank import Tank
from stillwell.settings.schema.values import Name
from stillwell.settings.schema.watched import OfKeys, StateWatch
from stillwell.settings.sources import Credentials, Environment, Merged


class Frame(BaseSettings):
    """The whole configuration, but for what drivers and sinks want in their tables.

    Of bands and agreements only the channels are read here: which model fits depends on their
    quantity. The environment wins over the file, and systemd credentials win over both.
    """

    model_config = SettingsConfigDict(extra="forbid", frozen=True, case_sensitive=True)

    tank: Tank
    night: Night = Night()
    unanswered: Unanswered = Unanswered()
    page: Page = Page()
    book: Book = Book()
    store: Store = Store()
    source: dict[Name, SourceKeys]
    channel: dict[Name, Channel]
    agreement: dict[Name, OfKeys] = {}
    band: dict[Name, OfKeys] = {}
    state: dict[Name, StateWatch] = {}
    sink: dict[Name, SinkKeys] = {}

    def __init__(self, layers: Layers, environ: Mapping[str, str]) -> None:
        """Reads the layers over the file and notes in `layers` where each value came from, the
        merged tree, and what is wrong with a variable or a credential.

        Raises pydantic's `ValidationError` for the merged whole.
        """
        super().__init__(layers=layers, environ=environ)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Returns our sources, the strongest first. The frame's arguments tell them where to look,
        and are no values themselves."""
        assert isinstance(init_settings, InitSettingsSource)
        layers: Layers = init_settings.init_kwargs["layers"]
        environ: Mapping[str, str] = init_settings.init_kwargs["environ"]
        # Not TomlConfigSettingsSource: it would parse the file once more, and does not name the
        # line of a mistake.
        file = InitSettingsSource(settings_cls, layers.document)
        lower = (Environment(settings_cls, layers, environ), file, Merged(settings_cls, layers))
        folder = environ.get("CREDENTIALS_DIRECTORY", "")
        if not folder:
            return lower
        try:
            return Credentials(file_secret_settings, layers, Path(folder)), *lower
        except (SettingsError, OSError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            what = f"The folder of credentials cannot be read: {reason}."
            do = "Check LoadCredential= in the unit, or unset CREDENTIALS_DIRECTORY."
            layers.faults.append(Fault(f"credentials {folder}", None, "", what, do))
            return lower
