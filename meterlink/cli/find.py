"""``meterlink find``: the devices in range, the drivers that fit them, and the bound meters."""

import asyncio
import re
import secrets
import textwrap
import uuid
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import click

from meterlink.ble.backends import ClientBackend, ScannerBackend
from meterlink.ble.discovery import DiscoveredDevice, Discovery, uuid_text
from meterlink.cli.completion import complete_meter
from meterlink.cli.daemon_version import connect_to_daemon
from meterlink.cli.output import Form, data_option, listing_options
from meterlink.cli.station_command import require_success
from meterlink.cli.terminal import text_width
from meterlink.core.clock import SystemClock
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text, count_phrase
from meterlink.link.client import LinkClient, NoDaemonError, daemon_stopped
from meterlink.link.messages import CommandName, DeviceView, DiscoveryView, Topic
from meterlink.settings import BLUETOOTH_ADDRESS, DATABASE_FILE, SETTINGS_FILE, chosen_adapter, data_dir, load_settings
from meterlink.station.discovery import MeterDiscovery
from meterlink.station.drivers import Drivers
from meterlink.store.reader import Reader
from meterlink.store.rows import MeterRow
from meterlink.store.writer import Writer

# Most meters advertise several times a second, slow meters within this time (common practice, no source).
LISTEN_SECONDS = 6.0
_NAMED_METER_TIMEOUT = 20.0  # s, added for a meter that was asked for by name or address
_MIN_WIDTH, _MAX_WIDTH = 40, 100  # columns
_MAX_SERVICES_LISTED = 4  # services listed on a line; further services are only counted


@dataclass(frozen=True, slots=True)
class FindOptions:
    """At most one action: ``connect``, ``bind``, ``unbind`` or ``new_address``; without an action, a list.

    ``seconds``: how long to listen; ``name``: the name for a meter to bind; ``new_address``: ``(old, new)``;
    ``adapter``: the address of the Bluetooth adapter, empty for that of the settings.
    """

    seconds: float | None = None
    connect: str = ""
    bind: str = ""
    name: str = ""
    unbind: str = ""
    new_address: tuple[str, str] | None = None
    adapter: str = ""

    @property
    def meter(self) -> str:
        """The address or name of the meter to listen for; empty without a particular meter."""
        return self.connect or self.bind or (self.new_address[1] if self.new_address else "")


@click.command()
@data_option
@click.option("--seconds", type=click.FloatRange(0.5, 600), help=f"Seconds to listen; default: {LISTEN_SECONDS:g}.")
@click.option(
    "--connect",
    metavar="METER",
    shell_complete=complete_meter,
    default="",
    help="Connect once to this meter and list its services.",
)
@click.option(
    "--bind",
    metavar="METER",
    shell_complete=complete_meter,
    default="",
    help="Bind this meter: the station connects to it from now on.",
)
@click.option("--name", metavar="TEXT", default="", help="With --bind: a name for the meter.")
@click.option(
    "--unbind",
    metavar="METER",
    shell_complete=complete_meter,
    default="",
    help="Unbind this meter; its readings are kept.",
)
@click.option(
    "--new-address", metavar="OLD NEW", nargs=2, help="The meter known under address OLD now has address NEW."
)
@click.option(
    "--adapter", metavar="ADDRESS", default="", help="The Bluetooth adapter to use, on Linux; default: of the settings."
)
@listing_options("name", "address", "rssi", "driver", "fit", "bound", "meter_name", "state", "unusable_reason")
def command(
    *,
    data: str | None,
    seconds: float | None,
    connect: str,
    bind: str,
    name: str,
    unbind: str,
    new_address: tuple[str, str] | None,
    adapter: str,
    form: Form,
) -> None:
    """List the devices in range: name, address, signal, and the driver that fits or the reason that none does.

    \b
        meterlink find
        meterlink find --bind 00:00:5E:00:53:0A --name "clamp meter"

    METER is an address, or a name that only one meter in range has. A meter is bound by its address, its service and
    its serial number: another meter at its address is refused later. If a station runs on the data folder, it does the
    work, since it has the adapter.

    With --json: devices (objects with name, address, rssi, advertised_services, discovered_services, driver, score,
    fit, driver_configured, driver_scores, bound, meter_name, first_address, serial, state, unusable_reason),
    broken_drivers (each with the reason), radio_error (the problem with the radio, or empty) and done (the
    action in words).

    \f

    Raises:
        click.UsageError: several actions are given, --name without --bind, or an adapter without an address.
        MeterlinkError: the action failed.
    """
    if sum(map(bool, (connect, bind, unbind, new_address))) > 1:
        raise click.UsageError("Give only one of --connect, --bind, --unbind and --new-address.")
    if name and not bind:
        raise click.UsageError("--name needs --bind.")
    if adapter and not re.fullmatch(BLUETOOTH_ADDRESS, adapter.strip()):
        raise click.UsageError(f"--adapter takes an address such as 00:00:5E:00:53:AA, not {clean_text(adapter)}.")
    options = FindOptions(seconds, connect, bind, name, unbind, new_address, clean_text(adapter))
    view, action = asyncio.run(find(data_dir(data), options))
    fields = {
        "devices": view["devices"],
        "broken_drivers": view["broken_drivers"],
        "radio_error": view["radio_error"],
        "done": action,
    }
    if form.prints(fields, view["devices"]):
        return
    width = max(_MIN_WIDTH, min(text_width(), _MAX_WIDTH))
    click.echo("\n".join(device_list_lines(view, action, options, width)))


async def find(
    folder: Path,
    options: FindOptions,
    *,
    scanner_backend: ScannerBackend | None = None,
    client_backend: ClientBackend | None = None,
) -> tuple[DiscoveryView, str]:
    """Run the action, in the daemon of ``folder`` if one runs; return ``(devices in range, action in words)``.

    The default backends are bleak's.

    Raises:
        InputError: an adapter is given, and a daemon has one.
        MeterlinkError: the action failed.
    """
    try:
        client = await connect_to_daemon(folder)
    except NoDaemonError:
        adapter = options.adapter or await asyncio.to_thread(chosen_adapter, folder)
        discovery = Discovery(scanner_backend=scanner_backend, client_backend=client_backend, adapter=adapter)
        view = await _find_without_daemon(folder, options, discovery)
    else:
        try:
            if options.adapter:
                raise InputError(
                    "A station runs on this data folder, and it has the Bluetooth adapter.",
                    f'Stop it first, or write adapter = "{options.adapter}" in {SETTINGS_FILE} and start it again.',
                )
            view = await _find_by_daemon(client, options)
        finally:
            await client.close()
    return view, _action_text(options, view)


async def _find_without_daemon(folder: Path, options: FindOptions, discovery: Discovery) -> DiscoveryView:
    path = folder / DATABASE_FILE

    def known() -> Sequence[MeterRow]:
        return Reader(path).known_meters() if path.exists() else ()

    async with discovery:
        drivers = await asyncio.to_thread(lambda: Drivers.load_tolerantly(folder, known()))
        finder = MeterDiscovery(discovery, drivers, known)
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
    wanted = options.meter.strip().upper()
    addresses = {wanted}
    for row in await asyncio.to_thread(known):
        if row.meter.name.upper() == wanted:
            addresses |= {address.upper() for address in (row.current_address, row.meter.address, *row.aliases)}

    def has_address(device: DiscoveredDevice) -> bool:
        return device.address.upper() in addresses

    # Several meters may have the same name, so a name needs the whole scan; an address ends the scan once heard.
    await discovery.scan(seconds, has_address)
    if not any(has_address(device) or device.advertisement.name.upper() == wanted for device in discovery.devices()):
        await discovery.scan(
            _NAMED_METER_TIMEOUT, lambda device: has_address(device) or device.advertisement.name.upper() == wanted
        )


@asynccontextmanager
async def _open_writer(folder: Path) -> AsyncIterator[Writer]:
    def print_alarm(text: str) -> None:
        click.echo(text or "The disk works again.", err=True)

    station = load_settings(folder).station
    writer = Writer(
        folder / DATABASE_FILE, station=station, clock=SystemClock(), boot_id=str(uuid.uuid4()), on_alarm=print_alarm
    )
    await asyncio.to_thread(writer.start)
    try:
        yield writer
    finally:
        await asyncio.to_thread(writer.close)


async def _find_by_daemon(client: LinkClient, options: FindOptions) -> DiscoveryView:
    if options.seconds is not None:  # the daemon listens all the time
        await asyncio.sleep(options.seconds)
    if options.connect:
        require_success(await client.request(CommandName.DISCOVER_SERVICES, meter=options.connect))
    elif options.bind:
        require_success(await client.request(CommandName.BIND, meter=options.bind, text=options.name))
    elif options.unbind:
        require_success(await client.request(CommandName.UNBIND, meter=options.unbind))
    elif options.new_address:
        old, new = options.new_address
        require_success(await client.request(CommandName.CHANGE_ADDRESS, meter=old, text=new))
    token = secrets.token_hex(8)
    require_success(await client.request(CommandName.FIND, text=token))
    async for message in client:
        if message["topic"] == Topic.DISCOVERY and message["request_text"] == token:
            return message
    raise daemon_stopped(Path(client.greeting["data"]))


def _action_text(options: FindOptions, view: DiscoveryView) -> str:
    if options.bind:
        return _bound_text(_find_device(options.bind, view))
    if options.unbind:
        return f"Unbound: {clean_text(options.unbind)}. Its readings are kept."
    if options.new_address:
        old, new = map(clean_text, options.new_address)
        heard = any(
            device["address"].upper() == new.upper() and device["discovered_services"] is not None
            for device in view["devices"]
        )
        unchecked = "" if heard else " It was out of range, so its serial number could not be compared."
        return f"The meter known under {old} now has the address {new}.{unchecked}"
    return ""


def _bound_text(device: DeviceView) -> str:
    sentences = [f"Bound: {device['meter_name']}, {device['address']}, driver {device['driver']}."]
    if device["first_address"].upper() != device["address"].upper():
        sentences.append(f"It was first seen at {device['first_address']}: its readings continue there.")
    if device["serial"]:
        sentences.append(f"Serial number {device['serial']}: another meter at its address will be refused.")
    else:
        sentences.append("It has no serial number: another meter of its kind could use its address unnoticed.")
    return " ".join(sentences)


def _find_device(meter: str, view: DiscoveryView) -> DeviceView:
    """Return the device with this address, else the device with this name."""
    wanted = meter.strip().upper()
    by_address = [device for device in view["devices"] if device["address"].upper() == wanted]
    by_name = [device for device in view["devices"] if wanted in {device["name"].upper(), device["meter_name"].upper()}]
    return (by_address or by_name)[0]


def device_list_lines(view: DiscoveryView, action: str, options: FindOptions, width: int) -> Iterator[str]:
    """Yield the lines to print, of at most ``width`` characters: the action in words, or the devices in range."""
    if view["radio_error"]:
        yield from textwrap.wrap(view["radio_error"], width)
    if action:
        yield from textwrap.wrap(action, width)
        return
    devices = [_find_device(options.connect, view)] if options.connect else view["devices"]
    if not options.connect:
        bound = sum(device["bound"] for device in devices)
        yield f"In range: {count_phrase(len(devices), 'device')}{f', {bound} bound' if bound else ''}."
    for device in devices:
        yield from _device_lines(device, width)
    for broken in view["broken_drivers"]:
        yield from textwrap.wrap(f"Driver not loaded: {broken}", width, subsequent_indent="  ")


def _device_lines(device: DeviceView, width: int) -> Iterator[str]:
    signal = f"{device['rssi']} dBm" if device["rssi"] is not None else ""
    alias = f"({device['meter_name']})" if device["meter_name"] not in {"", device["name"]} else ""
    marks = ["bound" if device["bound"] else "", device["state"]]
    head = [device["name"] or "(no name)", alias, device["address"], signal, *marks]
    yield from textwrap.wrap("  ".join(filter(None, head)), width, subsequent_indent="  ")
    facts = [_driver_text(device), _services_text("advertises", device["advertised_services"])]
    if device["discovered_services"] is not None:
        facts.append(_services_text("offers", device["discovered_services"]))
    if device["serial"]:
        facts.append(f"serial number {device['serial']}")
    if device["first_address"].upper() not in {"", device["address"].upper()}:
        facts.append(f"first seen at {device['first_address']}")
    facts.append(device["unusable_reason"])
    if not device["bound"] and not device["unusable_reason"]:
        facts.append(f"If it is yours, bind it: meterlink find --bind {device['address']}")
    for fact in filter(None, facts):
        yield from textwrap.wrap(fact, width, initial_indent="    ", subsequent_indent="      ")


def _driver_text(device: DeviceView) -> str:
    if not device["driver"]:
        return ""
    alternatives = [
        f"{driver['name']} {driver['score']:.2f}"
        for driver in device["driver_scores"]
        if driver["name"] != device["driver"]
    ]
    also = f"; also {', '.join(alternatives)}" if alternatives else ""
    reason = "named in the settings" if device["driver_configured"] else f"{device['fit']} ({device['score']:.2f})"
    return f"driver {device['driver']}: {reason}{also}"


def _services_text(verb: str, uuids: Sequence[str]) -> str:
    if not uuids:
        return ""
    more = len(uuids) - _MAX_SERVICES_LISTED
    listed = ", ".join(uuid_text(uuid) for uuid in uuids[:_MAX_SERVICES_LISTED])
    return f"{verb} {listed}" + (f" and {more} more" if more > 0 else "")
