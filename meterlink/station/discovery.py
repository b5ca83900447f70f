"""What is on the air, held against the drivers and the bound meters; binding, unbinding, recognising again."""

import asyncio
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from meterlink.ble.connection import Look, opened, service_of
from meterlink.ble.discovery import Heard, not_heard
from meterlink.ble.states import LinkState, MeterLink
from meterlink.core.equipment import Meter
from meterlink.core.errors import DriverError, InputError, RadioError
from meterlink.core.text import LONGEST_NAME, clean_name
from meterlink.driver_api import CERTAIN, Advertisement, DriverKind
from meterlink.link.messages import AirView, DriverScoreView, FoundView
from meterlink.plugins import ranked, score_in_words
from meterlink.station.drivers import Drivers
from meterlink.store.meters import KnownAs
from meterlink.store.rows import MeterRow
from meterlink.store.writer import Writer

# Closer looks kept: a person looks at a handful.
_MOST_LOOKS = 32
# The end of an address that is put behind a name that another meter has already: two of its six bytes.
_TAIL = 5  # characters


class Ears(Protocol):
    """Who hears what is on the air and can look closer: the daemon's `Radio`, or a `Survey`."""

    def heard(self) -> Sequence[Heard]:
        """Return what was heard lately."""
        ...

    async def look(self, address: str) -> Look:
        """Connect once; RadioError in words."""
        ...


@dataclass(frozen=True, slots=True)
class _Spotted:
    """One device: heard, connected by the station (``link``), bound (``row``), or several of these."""

    address: str
    heard: Heard | None
    link: MeterLink | None
    row: MeterRow | None

    @property
    def advertisement(self) -> Advertisement:
        return self.heard.advertisement if self.heard else Advertisement()

    @property
    def name(self) -> str:
        return (
            self.advertisement.name
            or (self.link.name if self.link else "")
            or (self.row.meter.name if self.row else "")
        )


class Finder:
    """Says what is on the air, and binds meters.

    ``known`` returns the meters of the data folder, ``links`` those the station looks after. ``bound_as`` and
    ``unbound`` are told of what was done, once it is on the disk.
    """

    def __init__(
        self,
        ears: Ears,
        drivers: Drivers,
        known: Callable[[], Sequence[MeterRow]],
        links: Callable[[], Sequence[MeterLink]] = lambda: (),
    ) -> None:
        self._ears = ears
        self._drivers = drivers
        self._known = known
        self._links = links
        self._looks: dict[str, Look] = {}

    async def air(self, asked: str = "", radio: str = "") -> AirView:
        """Return everything heard, bound or connected: bound meters first, then the best fitting, then the nearest."""
        spotted = await self._spotted()
        for one in spotted:
            if one.link is not None:  # the station has seen what it offers, if it was ever connected
                with suppress(RadioError):
                    self._keep(one.address, await self._ears.look(one.address))
        found = [self._view(one) for one in spotted]
        found.sort(key=lambda one: (not one["bound"], -one["score"], -(one["rssi"] or -999), one["address"]))
        broken = [f"{one.name} of {one.distribution}: {one.reason}" for one in self._drivers.loaded.failures]
        return AirView(topic="air", asked=asked, found=found, broken=broken, radio=radio)

    async def address_of(self, which: str) -> str:
        """Return the address of what has this address or this name; RadioError or InputError where none or several."""
        return (await self._one(which)).address

    async def look(self, which: str) -> str:
        """Connect once to the meter at an address, or of a name, and keep what it offers; return its address."""
        one = await self._one(which)
        self._keep(one.address, await self._ears.look(one.address))
        return one.address

    def _keep(self, address: str, look: Look) -> None:
        self._looks.pop(address.upper(), None)
        self._looks[address.upper()] = look
        if len(self._looks) > _MOST_LOOKS:
            del self._looks[next(iter(self._looks))]

    async def bind(self, which: str, name: str, writer: Writer) -> tuple[Meter, KnownAs]:
        """Look closer, then bind the meter by address, serial number and service; return it and what it is known as.

        ``name`` is what it is to be called, empty for what it calls itself. RadioError, DriverError or InputError, with
        nothing bound, where it does not answer, no driver fits, or another meter is in the way.
        """
        address = await self.look(which)
        one, look = await self._one(address), self._looks[address.upper()]
        kind = self._driver(one, look)
        service = service_of(look.services, opened(kind, look.services))
        given = clean_name(name)
        meter = Meter(address, given or await self._free_name(one), kind.name, look.serial, service)
        return meter, await asyncio.wrap_future(writer.bind(meter, named=bool(given)))

    async def unbind(self, which: str, writer: Writer) -> KnownAs:
        """Bind a meter, by address or name, no longer; return what it is known as."""
        row = next((row for row in await self._rows() if row.bound and _answers_to(row, which)), None)
        return await asyncio.wrap_future(writer.unbind(row.meter.address if row else clean_name(which)))

    async def alias(self, old: str, new: str, writer: Writer) -> KnownAs:
        """Note that the meter known under ``old`` now has the address ``new``; return what it is known as.

        Where it is heard, what answers at ``new`` must have the serial number and the service of that meter, as far as
        they are known: InputError otherwise.
        """
        row = next((row for row in await self._rows() if _answers_to(row, old)), None)
        if row is None:
            raise InputError(f"No meter is known under {old}.", "See the known ones: meterlink find")
        if self._heard_at(new) is not None:
            address = await self.look(new)
            if differs := difference(row.meter, self._looks[address.upper()]):
                raise InputError(f"{new} is not that meter: {differs}.", "Bind it as a meter of its own.")
        return await asyncio.wrap_future(writer.alias(row.meter.address, new))

    async def _rows(self) -> Sequence[MeterRow]:
        return await asyncio.to_thread(self._known)

    async def _spotted(self) -> list[_Spotted]:
        heard = {one.address.upper(): one for one in self._ears.heard()}
        links = {link.address.upper(): link for link in self._links()}
        rows = await self._rows()
        bound = {address.upper(): row for row in rows for address in (row.meter.address, *row.aliases)}
        present = {row.address_now.upper() for row in rows if row.bound}
        return [
            _Spotted(
                next(one.address for one in (heard.get(key), links.get(key)) if one) if key in heard | links
                else bound[key].address_now,
                heard.get(key), links.get(key), bound.get(key),
            )
            for key in dict.fromkeys([*heard, *links, *present])
        ]  # fmt: skip

    def _heard_at(self, address: str) -> Heard | None:
        return next((one for one in self._ears.heard() if one.address.upper() == address.upper()), None)

    async def _one(self, which: str) -> _Spotted:
        """Return what has this address; failing that, what is alone in having this name."""
        spotted = await self._spotted()
        at = [one for one in spotted if one.address.upper() == which.strip().upper()]
        wanted = clean_name(which)
        named = [one for one in spotted if wanted in {one.name, one.row.meter.name if one.row else ""}]
        candidates = at or named
        if not candidates:
            raise RadioError(*not_heard(wanted))
        if len(candidates) > 1:
            addresses = ", ".join(one.address for one in candidates)
            raise InputError(f"{len(candidates)} meters here are called {wanted!r}.", f"Give the address: {addresses}.")
        return candidates[0]

    def _driver(self, one: _Spotted, look: Look) -> DriverKind:
        chosen = self._named(one) or self._drivers.choose(one.advertisement, look.services)
        if chosen is None:
            raise DriverError(f"{one.name or one.address} was not bound: {_none_fits(look)}", _TEACH)
        return chosen

    def _named(self, one: _Spotted) -> DriverKind | None:
        """Return the driver that the settings name for it, under any of its addresses."""
        addresses = [one.address, *((one.row.meter.address, *one.row.aliases) if one.row else ())]
        return next((kind for each in addresses if (kind := self._drivers.named.get(each.upper()))), None)

    async def _free_name(self, one: _Spotted) -> str:
        """Return what the meter calls itself, told apart where another bound meter has that name."""
        name = one.name or one.address
        taken = {row.meter.name for row in await self._rows() if row.bound and row is not one.row}
        if one.row is not None:
            taken.discard(one.row.meter.name)
        if name not in taken:
            return name
        return f"{clean_name(name, LONGEST_NAME - _TAIL - 1)} {one.address[-_TAIL:]}"

    def _view(self, one: _Spotted) -> FoundView:
        look = self._looks.get(one.address.upper())
        scores = ranked(self._drivers.loaded.kinds, one.advertisement, look.services if look else None)
        named = self._named(one)
        if named is not None:
            scores = [(named, CERTAIN), *(pair for pair in scores if pair[0].name != named.name)]
        top = scores[0][1] if scores else 0.0
        serial = (look.serial if look else "") or (one.row.meter.serial if one.row else "")
        fits = score_in_words(top)
        driver = scores[0][0].name if scores and fits != "no" else ""
        return FoundView(
            name=one.name,
            address=one.address,
            rssi=one.advertisement.rssi if one.heard else one.link.rssi if one.link else None,
            advertised=list(one.advertisement.service_uuids),
            offered=sorted({found.service_uuid for found in look.services}) if look else None,
            driver=(one.link.driver if one.link else "") or driver,
            score=top,
            fit=fits,
            named=named is not None,
            drivers=[DriverScoreView(name=kind.name, score=score) for kind, score in scores if score > 0],
            bound=bool(one.row and one.row.bound),
            called=one.row.meter.name if one.row else "",
            first_address=one.row.meter.address if one.row else "",
            serial=serial,
            state=str(one.link.state) if one.link else "",
            why=_why_not(one, look, fits),
        )


_TEACH = "Install its driver, or teach its profile: meterlink capture, then meterlink teach."


def difference(meter: Meter, look: Look) -> str:
    """Return, in words, how what answers differs from the meter that was bound; empty where nothing shows it does."""
    if meter.serial and look.serial and meter.serial != look.serial:
        return f"its serial number is {look.serial}, not {meter.serial}"
    if meter.service and all(found.service_uuid != meter.service for found in look.services):
        return f"it has no service {meter.service}"
    return ""


def _why_not(one: _Spotted, look: Look | None, fits: str) -> str:
    """Return why the meter cannot be used as it is, in words; empty where it can."""
    if one.row is not None and one.row.bound and look is not None and (differs := difference(one.row.meter, look)):
        return f"Another meter answers at this address: {differs}."
    if one.link is not None:
        return "" if one.link.state is LinkState.CONNECTED else one.link.detail
    if one.heard is None:
        return "Not heard. Switch the meter and its Bluetooth on, or come closer."
    if fits != "no":
        return ""
    if look is None:
        return f"No driver fits what it advertises. Connect to look closer: meterlink find --connect {one.address}"
    return f"{_none_fits(look)} {_TEACH}"


def _none_fits(look: Look) -> str:
    speaks = any(found.properties & {"notify", "indicate", "read"} for found in look.services)
    return "No driver fits its services." if speaks else "It offers nothing that could be read."


def _answers_to(row: MeterRow, which: str) -> bool:
    addresses = {address.upper() for address in (row.meter.address, *row.aliases)}
    return which.strip().upper() in addresses or (row.bound and clean_name(which) == row.meter.name)
