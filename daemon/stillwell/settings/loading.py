"""Reads a file, the environment and credentials into `Settings`, or returns everything that is
wrong with them."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, SecretStr, ValidationError

from stillwell.barred import way_in
from stillwell.foreign import Patience, plain, reason_of, within
from stillwell.ports import DriverError
from stillwell.reading import Quantity
from stillwell.settings import crosscheck, plugins
from stillwell.settings.configuration import Destination, Settings, Source
from stillwell.settings.doubts import asked_about
from stillwell.settings.explain import Explainer
from stillwell.settings.faults import ConfigError, Fault, in_line_order
from stillwell.settings.given import given
from stillwell.settings.layers import Layers, layers_of
from stillwell.settings.schema.frame import Frame
from stillwell.settings.schema.machine import SinkKeys, SourceKeys
from stillwell.settings.schema.watched import AGREEMENTS, BANDS, Agreement, Band
from stillwell.settings.sealed import unknown, with_credentials
from stillwell.settings.setting_error import nearest
from stillwell.settings.syntax import read_toml
from stillwell.shown import shown

DEFAULT_PATH = Path("/etc/stillwell/stillwell.toml")
_GET_A_SAMPLE = (
    f"Copy config/stillwell.toml of the source tree to {DEFAULT_PATH} (installing it does so) "
    "and fit it to your tank, or name a file with --config."
)


def find(path: Path | None, environ: Mapping[str, str]) -> Path:
    """Returns the file to read: the one given, ``$STILLWELL_CONFIG``, or the usual place."""
    if path is not None:
        return path
    named = environ.get("STILLWELL_CONFIG", "")
    return Path(named) if named else DEFAULT_PATH


def content_of(path: Path) -> bytes:
    """Returns the content of the file; raises `ConfigError`."""
    file = str(path)
    try:
        return path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        what, do = "There is no such file.", _GET_A_SAMPLE
    except IsADirectoryError:
        what, do = "This is a folder.", f"Name the file in it: {path / 'stillwell.toml'}."
    except PermissionError:
        what, do = "The file may not be read.", way_in(path)
    except OSError as error:
        what, do = f"The file cannot be read: {error.strerror}.", "Check the disk."
    except ValueError:  # a NUL in the name
        what, do = "This is no name of a file.", _GET_A_SAMPLE
    raise ConfigError([Fault(file, None, "", what, do)])


def load(
    path: Path | None = None,
    *,
    environ: Mapping[str, str] = os.environ,
    content: bytes | None = None,
) -> Settings:
    """Reads the configuration.

    Args:
        path: the file; without it ``$STILLWELL_CONFIG``, else ``/etc/stillwell/stillwell.toml``.
        environ: ``STILLWELL__TABLE__KEY`` and ``CREDENTIALS_DIRECTORY`` are taken from here;
            without the latter, credentials come from the folder ``credentials`` beside the file.
        content: used in place of the file's content.

    Raises `ConfigError` with every fault that was found. Missing hardware, a missing broker or a
    driver that cannot be imported is no fault of the configuration.
    """
    found = find(path, environ)
    document, text = read_toml(content_of(found) if content is None else content, str(found))
    return _Reading(layers_of(document, text, str(found)), found, environ).settings()


def _tables(value: Any) -> dict[str, dict[str, Any]]:
    """Returns the tables in a table of tables; anything else has a fault already."""
    if not isinstance(value, dict):
        return {}
    return {str(name): table for name, table in value.items() if isinstance(table, dict)}


def _secret_paths(value: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    if isinstance(value, SecretStr):
        if value.get_secret_value():
            yield path
    elif isinstance(value, BaseModel):
        for name, field in type(value).model_fields.items():
            yield from _secret_paths(getattr(value, name), (*path, field.alias or name))
    elif isinstance(value, Mapping):
        for name, below in value.items():
            yield from _secret_paths(below, (*path, str(name)))
    elif isinstance(value, list | tuple) and any(True for one in value for _ in _secret_paths(one)):
        yield path


class _Reading:
    """One pass over the layers that gathers faults instead of stopping at the first."""

    def __init__(self, layers: Layers, file: Path, environ: Mapping[str, str]) -> None:
        self.layers = layers
        self.file = file
        self.faults: list[Fault] = []
        self.patience = Patience(plugins.LOADS_WITHIN_S)
        environ, self.sealed = with_credentials(file, environ)
        self.frame = self._frame(environ)
        self.tree = layers.tree
        self.quantities = self._quantities()
        self.registered = {group: plugins.registered(group) for group in plugins.GROUPS}

    def settings(self) -> Settings:
        """Returns the settings, or raises `ConfigError`."""
        frame = self.frame
        sources = self._sources()
        sinks = self._sinks()
        bands: dict[str, Band] = self._by_quantity("band", BANDS)
        agreements: dict[str, Agreement] = self._by_quantity("agreement", AGREEMENTS)
        self._cross(frame, bands, agreements)
        if frame is None or self.faults:
            raise ConfigError(self.faults)
        path = (self.file.parent / Path(frame.store.path).expanduser()).absolute()
        return Settings(
            file=self.file,
            tank=frame.tank,
            night=frame.night,
            book=frame.book,
            store=frame.store,
            unanswered=frame.unanswered,
            page=frame.page,
            store_path=path,
            source={
                name: _source(name, keys, sources[name], self.tree)
                for name, keys in frame.source.items()
            },
            channel=frame.channel,
            agreement=agreements,
            band=bands,
            state=frame.state,
            sink={name: _sink(name, keys, sinks[name]) for name, keys in frame.sink.items()},
            warnings=tuple(in_line_order(self._warnings(sources, sinks, bands))),
            given=given(self.tree, set(self._secret(sources, sinks))),
        )

    def _quantities(self) -> dict[str, Quantity]:
        known = {quantity.value: quantity for quantity in Quantity}
        return {
            name: known[table["quantity"]]
            for name, table in _tables(self.tree.get("channel")).items()
            if isinstance(table.get("quantity"), str) and table["quantity"] in known
        }

    def _validate(
        self, model: type[BaseModel], data: Any, below: tuple[str, ...], also: Iterable[str] = ()
    ) -> Any:
        """Returns an instance, or None after noting the faults."""
        try:
            return model.model_validate(data)
        except ValidationError as error:
            self.faults.extend(Explainer(model, data, below, self.layers, also).faults(error))
        return None

    def _frame(self, environ: Mapping[str, str]) -> Frame | None:
        """Merges all layers, which fills `layers`; returns None after noting the faults."""
        frame = None
        try:
            frame = Frame(self.layers, environ)
        except ValidationError as error:
            explainer = Explainer(Frame, self.layers.tree, (), self.layers)
            self.faults.extend(explainer.faults(error))
        self.faults.extend(self.layers.faults)
        for table in ("source", "channel"):
            # Reported like an empty table, because watching nothing is a mistake, not a choice.
            if self.layers.tree.get(table) == {}:
                do = f"Add [{table}.NAME]; the samples in config/ have some to copy."
                self.faults.append(self.layers.fault((table,), f"There is no [{table}.NAME].", do))
        return frame

    # --- drivers and sinks

    def _plugin(
        self, group: plugins.Group, table: str, name: str, part: dict[str, Any], key: str
    ) -> tuple[plugins.Plugin, BaseModel | None] | None:
        """Returns the class that a table names, with its settings; None after noting a fault."""
        word = part.get(key)
        if not isinstance(word, str):
            return None  # the frame reports it
        points = self.registered[group]
        if word not in points:
            near = nearest(word, points)
            known = f"Known: {', '.join(sorted(points))}." if points else "None is installed."
            hint = f'Did you mean "{near}"? {known}' if near else known
            # The word for a recipient may be its address or its password.
            said = shown(word) if near or table == "source" else "of this name"
            fault = self.layers.fault((table, name, key), f"There is no {key} {said}.", hint)
            self.faults.append(fault)
            return None
        with self.patience.share() as seconds:
            plugin = plugins.load(points[word], seconds)
        if plugin.settings is None:
            return plugin, None
        generic = SourceKeys.model_fields if table == "source" else SinkKeys.model_fields
        data = {each: value for each, value in part.items() if each not in generic}
        missing = unknown(plugin.settings, data) if self.sealed else []
        if missing:
            broken = (
                f"Its {' and '.join(missing)} may be in {self.sealed}, which this user may not "
                f"read: ask with sudo."
            )
            return plugins.Plugin(word, None, broken, sealed=True), None
        before = len(self.faults)
        model, here = plugin.settings, (table, name)

        def validated() -> BaseModel | None:
            try:
                instance: BaseModel | None = self._validate(model, data, here, generic)
            except DriverError as error:
                # An error with `what` and `do` is meant for the person.
                self.faults.append(self.layers.fault(here, plain(error.what), plain(error.do)))
                return None
            return instance

        try:
            with self.patience.share() as seconds:
                settings = within(seconds, validated)
        except Exception as error:
            # The plugin's own check failed or does not end: it is down.
            reason = self.layers.hidden(reason_of(error))
            broken = f'The settings of "{word}" cannot be checked: {reason}'
            return plugins.Plugin(word, None, broken), None
        if len(self.faults) > before:
            return None
        return plugin, settings

    def _sources(self) -> dict[str, tuple[plugins.Plugin, BaseModel | None] | None]:
        return {
            name: self._plugin("stillwell.drivers", "source", name, part, "driver")
            for name, part in _tables(self.tree.get("source")).items()
        }

    def _sinks(self) -> dict[str, tuple[plugins.Plugin, BaseModel | None] | None]:
        return {
            name: self._plugin("stillwell.sinks", "sink", name, part, "kind")
            for name, part in _tables(self.tree.get("sink")).items()
        }

    # --- bands and agreements

    def _by_quantity(self, table: str, models: Mapping[Quantity, type[Any]]) -> dict[str, Any]:
        made: dict[str, Any] = {}
        for name, part in _tables(self.tree.get(table)).items():
            path = (table, name, "of")
            of = part.get("of")
            names = of if isinstance(of, list) else []
            channels = list(_tables(self.tree.get("channel")))
            self.faults.extend(crosscheck.names_exist(names, channels, path, self.layers))
            self.faults.extend(crosscheck.one_quantity(names, self.quantities, path, self.layers))
            known = [each for each in names if isinstance(each, str) and each in self.quantities]
            quantity = self.quantities[known[0]] if known else Quantity.TEMPERATURE
            if quantity not in models:
                what = f'A {table} cannot be of a {quantity}: "{known[0]}" is open or closed.'
                self.faults.append(
                    self.layers.fault(path, what, "Watch it with a [state.…] instead.")
                )
                continue
            instance = self._validate(models[quantity], part, (table, name))
            if instance is not None:
                made[name] = instance
        return made

    def _cross(
        self, frame: Frame | None, bands: Mapping[str, Band], agreements: Mapping[str, Agreement]
    ) -> None:
        delivered = {
            name: [str(each) for each in part["channels"]]
            for name, part in _tables(self.tree.get("source")).items()
            if isinstance(part.get("channels"), dict)
        }
        channels = _tables(self.tree.get("channel"))
        self.faults.extend(crosscheck.channels_and_sources(delivered, channels, self.layers))
        for name, band in bands.items():
            self.faults.extend(crosscheck.band_limits(name, band, self.layers))
        for name, agreement in agreements.items():
            self.faults.extend(crosscheck.agreement_size(name, agreement, self.layers))
        if frame is not None:
            every = {
                each: frame.source[name].every
                for name, names in delivered.items()
                for each in names
            }
            self.faults.extend(crosscheck.combined(frame, delivered, self.layers))
            self.faults.extend(crosscheck.channel_limits(frame, every, self.layers))

    # --- what does not stop the start

    def _readable_secrets(self, value: Any, path: tuple[str, ...]) -> list[tuple[str, ...]] | None:
        """The paths of what is secret; None where that can't be known."""
        try:
            with self.patience.share() as seconds:
                return within(seconds, lambda: list(_secret_paths(value, path)))
        except Exception:  # a plugin's own model may hold anything
            return None

    def _secret(
        self,
        sources: Mapping[str, tuple[plugins.Plugin, BaseModel | None] | None],
        sinks: Mapping[str, tuple[plugins.Plugin, BaseModel | None] | None],
    ) -> Iterator[tuple[str, ...]]:
        """Yields the paths of values that must not be shown: all keys of a plugin that doesn't say
        which are secret."""
        yield from self._readable_secrets(self.frame and self.frame.page, ("page",)) or ()
        for table, made, generic in (
            ("source", sources, SourceKeys.model_fields),
            ("sink", sinks, SinkKeys.model_fields),
        ):
            for name, pair in made.items():
                model = pair[1] if pair else None
                found = None if model is None else self._readable_secrets(model, (table, name))
                if found is None:
                    keys = self.tree[table][name].keys() - generic.keys()
                    found = [(table, name, str(key)) for key in keys]
                yield from found

    def _warnings(
        self,
        sources: Mapping[str, tuple[plugins.Plugin, BaseModel | None] | None],
        sinks: Mapping[str, tuple[plugins.Plugin, BaseModel | None] | None],
        bands: Mapping[str, Band],
    ) -> Iterator[Fault]:
        if not bands:
            what = "There is no [band.NAME]: no value of the water raises an alarm."
            yield self.layers.fault((), what, "Copy [band.water] from config/stillwell.toml.")
        page = None if self.frame is None else self.frame.page
        if self.frame is not None:
            yield from asked_about(self.frame, self.layers)
        try:
            open_to_all = bool(self.file.stat().st_mode & stat.S_IROTH)
        except OSError:
            open_to_all = False
        if not open_to_all:
            return
        parts: dict[tuple[str, ...], Any] = {
            (table, name): pair[1]
            for table, made in (("source", sources), ("sink", sinks))
            for name, pair in made.items()
            if pair
        }
        for below, part in (*parts.items(), (("page",), page)):
            for path in filter(self.layers.from_file, self._readable_secrets(part, below) or ()):
                what = "A secret stands in a file that everybody on this machine can read."
                variable = "STILLWELL__" + "__".join(path).upper().replace("-", "_")
                do = (
                    f"Write chmod o-r {self.file}, or move it to the systemd credential "
                    f"{'.'.join(path)} or the environment variable {variable}."
                )
                yield self.layers.fault(path, what, do)


def _source(
    name: str,
    keys: SourceKeys,
    pair: tuple[plugins.Plugin, BaseModel | None] | None,
    tree: Mapping[str, Any],
) -> Source:
    assert pair is not None, "a source without a plugin has a fault"
    plugin, settings = pair
    channels = tree["source"][name].get("channels")
    return Source(
        name=name,
        driver=keys.driver,
        every=keys.every,
        look=keys.look,
        deadline=keys.deadline,
        channels=tuple(channels) if isinstance(channels, dict) else (),
        made=plugin.made,
        settings=settings,
        broken=plugin.broken,
    )


def _sink(
    name: str, keys: SinkKeys, pair: tuple[plugins.Plugin, BaseModel | None] | None
) -> Destination:
    assert pair is not None, "a sink without a plugin has a fault"
    plugin, settings = pair
    return Destination(name, keys.kind, plugin.made, settings, plugin.broken, plugin.sealed)
