"""``meterlink find``: what is on the air, what each looks like, and which meters are bound."""

import asyncio
import json
import secrets
import shutil
import textwrap
import uuid
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import click

from meterlink.ble.backends import ClientBackend, ScannerBackend
from meterlink.ble.discovery import Heard, Survey, uuid_in_words
from meterlink.core.clock import SystemClock
from meterlink.core.errors import MeterlinkError
from meterlink.core.text import clean_name
from meterlink.link.client import LinkClient, NoDaemonError, connect, daemon_stopped
from meterlink.link.messages import AirView, FoundView
from meterlink.settings import DATABASE, data_dir, load_settings
from meterlink.station.discovery import Finder
from meterlink.station.drivers import Drivers
from meterlink.store.reader import Reader
from meterlink.store.rows import MeterRow
from meterlink.store.writer import Writer

# Most meters advertise several times a second; a slow one still comes round within this (common practice, no source).
SECONDS = 6.0
# How much longer a meter that was named is waited for than a look round takes.
_PATIENCE = 20.0  # s
_NARROWEST, _WIDEST = 40, 100  # columns
_LONGEST_LISTED = 4  # services in a line; the rest is counted


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked for: at most one of ``connect``, ``bind``, ``unbind``, ``alias``; else a look round."""

    seconds: float | None = None
    connect: str = ""
    bind: str = ""
    name: str = ""
    unbind: str = ""
    alias: tuple[str, str] | None = None

    @property
    def about(self) -> str:
        """The address or name of the meter that is to be heard, empty for none in particular."""
        return self.connect or self.bind or (self.alias[1] if self.alias else "")


@click.command()
@click.option("--data", type=click.Path(file_okay=False), help="Data folder; default: the platform's own place.")
@click.option("--seconds", type=click.FloatRange(0.5, 600), help=f"How long to listen; default: {SECONDS:g}.")
@click.option("--connect", metavar="METER", default="", help="Connect once to this one, and look closer.")
@click.option("--bind", metavar="METER", default="", help="Bind this one: the station connects to it from now on.")
@click.option("--name", metavar="TEXT", default="", help="With --bind: what to call it.")
@click.option("--unbind", metavar="METER", default="", help="Bind this one no longer; what it measured stays.")
@click.option("--alias", metavar="OLD NEW", nargs=2, help="The meter known under address OLD now has address NEW.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
def command(
    *,
    data: str | None,
    seconds: float | None,
    connect: str,
    bind: str,
    name: str,
    unbind: str,
    alias: tuple[str, str] | None,
    as_json: bool,
) -> None:
    """List what is on the air: name, address, signal, the driver that fits, and why one cannot be used.

    METER is an address, or a name that only one meter here has. A meter is bound by its address, its service and its
    serial number: another one that answers at its address later is refused. Where a station runs on the data folder,
    it is asked, since it has the adapter.

    With --json: found (objects with name, address, rssi, advertised, offered, driver, score, fit, named, drivers,
    bound, called, first_address, serial, state, why), broken (drivers that cannot be used), radio (what is wrong with
    it, or empty) and done (what was done, in words).
    """
    if sum(map(bool, (connect, bind, unbind, alias))) > 1:
        raise click.UsageError("Give only one of --connect, --bind, --unbind and --alias.")
    if name and not bind:
        raise click.UsageError("--name goes with --bind.")
    wish = Wish(seconds, connect, bind, name, unbind, alias)
    air, done = asyncio.run(find(data_dir(data), wish))
    if as_json:
        told = {"found": air["found"], "broken": air["broken"], "radio": air["radio"], "done": done}
        click.echo(json.dumps(told, indent=2))  # ASCII only: whatever encoding a pipe has, it arrives unharmed
        return
    width = max(_NARROWEST, min(shutil.get_terminal_size().columns, _WIDEST))
    click.echo("\n".join(as_lines(air, done, wish, width)))


async def find(
    folder: Path,
    wish: Wish,
    *,
    scanner_backend: ScannerBackend | None = None,
    client_backend: ClientBackend | None = None,
) -> tuple[AirView, str]:
    """Do what is wished, by the daemon of ``folder`` where one runs; return what is on the air, and what was done.

    MeterlinkError, in words, where that cannot be. The backends are bleak's own unless given.
    """
    try:
        client = await connect(folder)
    except NoDaemonError:
        survey = Survey(scanner_backend=scanner_backend, client_backend=client_backend)
        air = await _by_ourselves(folder, wish, survey)
    else:
        try:
            air = await _by_daemon(client, wish)
        finally:
            await client.close()
    return air, _done(wish, air)


async def _by_ourselves(folder: Path, wish: Wish, survey: Survey) -> AirView:
    path = folder / DATABASE

    def known() -> Sequence[MeterRow]:
        return Reader(path).known_meters() if path.exists() else ()

    async with survey:
        finder = Finder(survey, await asyncio.to_thread(Drivers.for_looking, folder), known)
        if not wish.unbind:
            await _listen(survey, wish, known)
        if wish.connect:
            await finder.look(wish.connect)
        elif wish.bind or wish.unbind or wish.alias:
            async with _writing(folder) as writer:
                if wish.bind:
                    await finder.bind(wish.bind, wish.name, writer)
                elif wish.unbind:
                    await finder.unbind(wish.unbind, writer)
                elif wish.alias:
                    await finder.alias(*wish.alias, writer)
        return await finder.air()


async def _listen(survey: Survey, wish: Wish, known: Callable[[], Sequence[MeterRow]]) -> None:
    seconds = SECONDS if wish.seconds is None else wish.seconds
    if not wish.about:
        await survey.listen(seconds)
        return
    about = wish.about.strip().upper()
    addresses = {about}
    for row in await asyncio.to_thread(known):
        if row.meter.name.upper() == about:
            addresses |= {address.upper() for address in (row.address_now, row.meter.address, *row.aliases)}

    def here(heard: Heard) -> bool:
        return heard.address.upper() in addresses

    # A name may be another's too: only a whole look round tells. An address is enough as soon as it is heard.
    await survey.listen(seconds, here)
    if not any(here(heard) or heard.advertisement.name.upper() == about for heard in survey.heard()):
        await survey.listen(_PATIENCE, lambda heard: here(heard) or heard.advertisement.name.upper() == about)


@asynccontextmanager
async def _writing(folder: Path) -> AsyncIterator[Writer]:
    def say(text: str) -> None:
        click.echo(text or "The disk takes data again.", err=True)

    station = load_settings(folder).station
    writer = Writer(folder / DATABASE, station=station, clock=SystemClock(), boot_id=str(uuid.uuid4()), on_alarm=say)
    await asyncio.to_thread(writer.start)
    try:
        yield writer
    finally:
        await asyncio.to_thread(writer.close)


async def _by_daemon(client: LinkClient, wish: Wish) -> AirView:
    if wish.seconds is not None:  # it has listened all the time
        await asyncio.sleep(wish.seconds)
    error = ""
    if wish.connect:
        error = await client.send("look", meter=wish.connect)
    elif wish.bind:
        error = await client.send("bind", meter=wish.bind, text=wish.name)
    elif wish.unbind:
        error = await client.send("unbind", meter=wish.unbind)
    elif wish.alias:
        error = await client.send("alias", meter=wish.alias[0], text=wish.alias[1])
    token = secrets.token_hex(8)
    error = error or await client.send("find", text=token)
    if error:
        raise MeterlinkError(error)
    async for message in client:
        if message["topic"] == "air" and message["asked"] == token:
            return message
    raise daemon_stopped(Path(client.greeting["data"]))


def _done(wish: Wish, air: AirView) -> str:
    if wish.bind:
        return _bound(_about(wish.bind, air))
    if wish.unbind:
        return f"Not bound any more: {clean_name(wish.unbind)}. What it measured stays."
    if wish.alias:
        old, new = map(clean_name, wish.alias)
        heard = any(found["address"].upper() == new.upper() and found["offered"] is not None for found in air["found"])
        unchecked = "" if heard else " It was not heard now, so its serial number could not be compared."
        return f"The meter known under {old} now has the address {new}.{unchecked}"
    return ""


def _bound(found: FoundView) -> str:
    said = [f"Bound: {found['called']}, {found['address']}, driver {found['driver']}."]
    if found["first_address"].upper() != found["address"].upper():
        said.append(f"It is the meter first met under {found['first_address']}: its readings go on there.")
    if found["serial"]:
        said.append(f"Serial number {found['serial']}: another meter at its address will be refused.")
    else:
        said.append("It tells no serial number: one of the same kind could answer at its address unnoticed.")
    return " ".join(said)


def _about(which: str, air: AirView) -> FoundView:
    """Return what was asked about: by its address, else by a name."""
    wanted = which.strip().upper()
    by_address = [one for one in air["found"] if one["address"].upper() == wanted]
    by_name = [one for one in air["found"] if wanted in {one["name"].upper(), one["called"].upper()}]
    return (by_address or by_name)[0]


def as_lines(air: AirView, done: str, wish: Wish, width: int) -> Iterator[str]:
    """Yield what to print: what was done, or what is on the air."""
    if air["radio"]:
        yield from textwrap.wrap(air["radio"], width)
    if done:
        yield from textwrap.wrap(done, width)
        return
    found = [_about(wish.connect, air)] if wish.connect else air["found"]
    if not wish.connect:
        bound = sum(one["bound"] for one in found)
        yield f"{len(found) or 'Nothing'} on the air{f', {bound} bound' if bound else ''}."
    for one in found:
        yield from _block(one, width)
    for broken in air["broken"]:
        yield from textwrap.wrap(f"Driver left out: {broken}", width, subsequent_indent="  ")


def _block(one: FoundView, width: int) -> Iterator[str]:
    signal = f"{one['rssi']} dBm" if one["rssi"] is not None else ""
    called = f"({one['called']})" if one["called"] not in {"", one["name"]} else ""
    marks = ["bound" if one["bound"] else "", one["state"]]
    head = [one["name"] or "(no name)", called, one["address"], signal, *marks]
    yield from textwrap.wrap("  ".join(filter(None, head)), width, subsequent_indent="  ")
    facts = [_fit(one), _services("advertises", one["advertised"])]
    if one["offered"] is not None:
        facts.append(_services("offers", one["offered"]))
    if one["serial"]:
        facts.append(f"serial number {one['serial']}")
    if one["first_address"].upper() not in {"", one["address"].upper()}:
        facts.append(f"first met under {one['first_address']}")
    facts.append(one["why"])
    if not one["bound"] and not one["why"]:
        facts.append(f"Bind it, if it is yours: meterlink find --bind {one['address']}")
    for fact in filter(None, facts):
        yield from textwrap.wrap(fact, width, initial_indent="    ", subsequent_indent="      ")


def _fit(one: FoundView) -> str:
    if not one["driver"]:
        return ""
    others = [f"{other['name']} {other['score']:.2f}" for other in one["drivers"] if other["name"] != one["driver"]]
    beside = f"; also {', '.join(others)}" if others else ""
    how = "named in the settings" if one.get("named") else f"{one['fit']} ({one['score']:.2f})"
    return f"driver {one['driver']}: {how}{beside}"


def _services(verb: str, uuids: Sequence[str]) -> str:
    if not uuids:
        return ""
    more = len(uuids) - _LONGEST_LISTED
    listed = ", ".join(uuid_in_words(uuid) for uuid in uuids[:_LONGEST_LISTED])
    return f"{verb} {listed}" + (f" and {more} more" if more > 0 else "")
