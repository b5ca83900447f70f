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
from meterlink.ble.discovery import DiscoveredDevice, Discovery, uuid_text
from meterlink.core.clock import SystemClock
from meterlink.core.errors import MeterlinkError
from meterlink.core.text import clean_text
from meterlink.link.client import LinkClient, NoDaemonError, connect, daemon_stopped
from meterlink.link.messages import DeviceView, DiscoveryView
from meterlink.settings import DATABASE_FILE, data_dir, load_settings
from meterlink.station.discovery import MeterDiscovery
from meterlink.station.drivers import Drivers
from meterlink.store.reader import Reader
from meterlink.store.rows import MeterRow
from meterlink.store.writer import Writer

# Most meters advertise several times a second; a slow one still comes round within this (common practice, no source).
LISTEN_SECONDS = 6.0
# How much longer a meter that was named is waited for than a look round takes.
_NAMED_METER_TIMEOUT = 20.0  # s
_MIN_WIDTH, _MAX_WIDTH = 40, 100  # columns
_MAX_SERVICES_LISTED = 4  # services in a line; the rest is counted


@dataclass(frozen=True, slots=True)
class FindOptions:
    """What is asked for: at most one of ``connect``, ``bind``, ``unbind``, ``alias``; else a look round."""

    seconds: float | None = None
    connect: str = ""
    bind: str = ""
    name: str = ""
    unbind: str = ""
    new_address: tuple[str, str] | None = None

    @property
    def meter(self) -> str:
        """The address or name of the meter that is to be heard, empty for none in particular."""
        return self.connect or self.bind or (self.new_address[1] if self.new_address else "")


@click.command()
@click.option("--data", type=click.Path(file_okay=False), help="Data folder; default: the platform's own place.")
@click.option("--seconds", type=click.FloatRange(0.5, 600), help=f"How long to listen; default: {LISTEN_SECONDS:g}.")
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
    wish = FindOptions(seconds, connect, bind, name, unbind, alias)
    air, done = asyncio.run(find(data_dir(data), wish))
    if as_json:
        told = {
            "devices": air["devices"],
            "broken_drivers": air["broken_drivers"],
            "radio_error": air["radio_error"],
            "done": done,
        }
        click.echo(json.dumps(told, indent=2))  # ASCII only: whatever encoding a pipe has, it arrives unharmed
        return
    width = max(_MIN_WIDTH, min(shutil.get_terminal_size().columns, _MAX_WIDTH))
    click.echo("\n".join(device_list_lines(air, done, wish, width)))


async def find(
    folder: Path,
    options: FindOptions,
    *,
    scanner_backend: ScannerBackend | None = None,
    client_backend: ClientBackend | None = None,
) -> tuple[DiscoveryView, str]:
    """Do what is wished, by the daemon of ``folder`` where one runs; return what is on the air, and what was done.

    MeterlinkError, in words, where that cannot be. The backends are bleak's own unless given.
    """
    try:
        client = await connect(folder)
    except NoDaemonError:
        survey = Discovery(scanner_backend=scanner_backend, client_backend=client_backend)
        air = await _find_without_daemon(folder, options, survey)
    else:
        try:
            air = await _find_by_daemon(client, options)
        finally:
            await client.close()
    return air, _action_text(options, air)


async def _find_without_daemon(folder: Path, options: FindOptions, discovery: Discovery) -> DiscoveryView:
    path = folder / DATABASE_FILE

    def known() -> Sequence[MeterRow]:
        return Reader(path).known_meters() if path.exists() else ()

    async with discovery:
        finder = MeterDiscovery(discovery, await asyncio.to_thread(Drivers.load_tolerantly, folder), known)
        if not options.unbind:
            await _listen_for(discovery, options, known)
        if options.connect:
            await finder.discover_services(options.connect)
        elif options.bind or options.unbind or options.new_address:
            async with _open_writer(folder) as writer:
                if options.bind:
                    await finder.bind(options.bind, options.name, writer)
                elif options.unbind:
                    await finder.unbind(options.unbind, writer)
                elif options.new_address:
                    await finder.add_alias(*options.new_address, writer)
        return await finder.discovery_view()


async def _listen_for(discovery: Discovery, options: FindOptions, known: Callable[[], Sequence[MeterRow]]) -> None:
    seconds = LISTEN_SECONDS if options.seconds is None else options.seconds
    if not options.meter:
        await discovery.scan(seconds)
        return
    about = options.meter.strip().upper()
    addresses = {about}
    for row in await asyncio.to_thread(known):
        if row.meter.name.upper() == about:
            addresses |= {address.upper() for address in (row.current_address, row.meter.address, *row.aliases)}

    def here(heard: DiscoveredDevice) -> bool:
        return heard.address.upper() in addresses

    # A name may be another's too: only a whole look round tells. An address is enough as soon as it is heard.
    await discovery.scan(seconds, here)
    if not any(here(heard) or heard.advertisement.name.upper() == about for heard in discovery.devices()):
        await discovery.scan(
            _NAMED_METER_TIMEOUT, lambda heard: here(heard) or heard.advertisement.name.upper() == about
        )


@asynccontextmanager
async def _open_writer(folder: Path) -> AsyncIterator[Writer]:
    def say(text: str) -> None:
        click.echo(text or "The disk takes data again.", err=True)

    station = load_settings(folder).station
    writer = Writer(
        folder / DATABASE_FILE, station=station, clock=SystemClock(), boot_id=str(uuid.uuid4()), on_alarm=say
    )
    await asyncio.to_thread(writer.start)
    try:
        yield writer
    finally:
        await asyncio.to_thread(writer.close)


async def _find_by_daemon(client: LinkClient, options: FindOptions) -> DiscoveryView:
    if options.seconds is not None:  # it has listened all the time
        await asyncio.sleep(options.seconds)
    error = ""
    if options.connect:
        error = await client.send("look", meter=options.connect)
    elif options.bind:
        error = await client.send("bind", meter=options.bind, text=options.name)
    elif options.unbind:
        error = await client.send("unbind", meter=options.unbind)
    elif options.new_address:
        error = await client.send("alias", meter=options.new_address[0], text=options.new_address[1])
    token = secrets.token_hex(8)
    error = error or await client.send("find", text=token)
    if error:
        raise MeterlinkError(error)
    async for message in client:
        if message["topic"] == "air" and message["request_text"] == token:
            return message
    raise daemon_stopped(Path(client.greeting["data"]))


def _action_text(options: FindOptions, view: DiscoveryView) -> str:
    if options.bind:
        return _bound_text(_find_device(options.bind, view))
    if options.unbind:
        return f"Not bound any more: {clean_text(options.unbind)}. What it measured stays."
    if options.new_address:
        old, new = map(clean_text, options.new_address)
        heard = any(
            found["address"].upper() == new.upper() and found["discovered_services"] is not None
            for found in view["devices"]
        )
        unchecked = "" if heard else " It was not heard now, so its serial number could not be compared."
        return f"The meter known under {old} now has the address {new}.{unchecked}"
    return ""


def _bound_text(device: DeviceView) -> str:
    said = [f"Bound: {device['meter_name']}, {device['address']}, driver {device['driver']}."]
    if device["first_address"].upper() != device["address"].upper():
        said.append(f"It is the meter first met under {device['first_address']}: its readings go on there.")
    if device["serial"]:
        said.append(f"Serial number {device['serial']}: another meter at its address will be refused.")
    else:
        said.append("It tells no serial number: one of the same kind could answer at its address unnoticed.")
    return " ".join(said)


def _find_device(meter: str, view: DiscoveryView) -> DeviceView:
    """Return what was asked about: by its address, else by a name."""
    wanted = meter.strip().upper()
    by_address = [one for one in view["devices"] if one["address"].upper() == wanted]
    by_name = [one for one in view["devices"] if wanted in {one["name"].upper(), one["meter_name"].upper()}]
    return (by_address or by_name)[0]


def device_list_lines(view: DiscoveryView, action: str, options: FindOptions, width: int) -> Iterator[str]:
    """Yield what to print: what was done, or what is on the air."""
    if view["radio_error"]:
        yield from textwrap.wrap(view["radio_error"], width)
    if action:
        yield from textwrap.wrap(action, width)
        return
    found = [_find_device(options.connect, view)] if options.connect else view["devices"]
    if not options.connect:
        bound = sum(one["bound"] for one in found)
        yield f"{len(found) or 'Nothing'} on the air{f', {bound} bound' if bound else ''}."
    for one in found:
        yield from _device_lines(one, width)
    for broken in view["broken_drivers"]:
        yield from textwrap.wrap(f"Driver left out: {broken}", width, subsequent_indent="  ")


def _device_lines(device: DeviceView, width: int) -> Iterator[str]:
    signal = f"{device['rssi']} dBm" if device["rssi"] is not None else ""
    called = f"({device['meter_name']})" if device["meter_name"] not in {"", device["name"]} else ""
    marks = ["bound" if device["bound"] else "", device["state"]]
    head = [device["name"] or "(no name)", called, device["address"], signal, *marks]
    yield from textwrap.wrap("  ".join(filter(None, head)), width, subsequent_indent="  ")
    facts = [_driver_text(device), _services_text("advertises", device["advertised_services"])]
    if device["discovered_services"] is not None:
        facts.append(_services_text("offers", device["discovered_services"]))
    if device["serial"]:
        facts.append(f"serial number {device['serial']}")
    if device["first_address"].upper() not in {"", device["address"].upper()}:
        facts.append(f"first met under {device['first_address']}")
    facts.append(device["unusable_reason"])
    if not device["bound"] and not device["unusable_reason"]:
        facts.append(f"Bind it, if it is yours: meterlink find --bind {device['address']}")
    for fact in filter(None, facts):
        yield from textwrap.wrap(fact, width, initial_indent="    ", subsequent_indent="      ")


def _driver_text(device: DeviceView) -> str:
    if not device["driver"]:
        return ""
    others = [
        f"{other['name']} {other['score']:.2f}"
        for other in device["driver_scores"]
        if other["name"] != device["driver"]
    ]
    beside = f"; also {', '.join(others)}" if others else ""
    how = "named in the settings" if device.get("named") else f"{device['fit']} ({device['score']:.2f})"
    return f"driver {device['driver']}: {how}{beside}"


def _services_text(verb: str, uuids: Sequence[str]) -> str:
    if not uuids:
        return ""
    more = len(uuids) - _MAX_SERVICES_LISTED
    listed = ", ".join(uuid_text(uuid) for uuid in uuids[:_MAX_SERVICES_LISTED])
    return f"{verb} {listed}" + (f" and {more} more" if more > 0 else "")
