"""Motors on the mains: stopped, running, or switched off by their protector.

A stopped motor is its locked-rotor impedance. A running one takes the power of its load at any voltage; so its current
rises as the voltage falls. Not modelled: the time course of starting (a motor starts at once after
``start_seconds``), mutual inductance of stopped windings, and the extra losses of a rotating field that is not round.
"""

import cmath
import math
from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Self

from meterlink.core.errors import InputError
from meterlink_simulators.components import (
    SHORT_OHMS,
    STAR_POINT,
    Change,
    CircuitView,
    Leg,
    NodeVolts,
    Reacting,
    Star,
)
from meterlink_simulators.network import GROUND, Element, branch, coupling, driving_point_impedance, machine

# Power factor of a motor with its rotor locked: copper and rotor heat beside leakage. Common practice, no source.
LOCKED_POWER_FACTOR = 0.6
# A motor falls out of its run when its load exceeds two to three times its rated power. Common practice, no source; the
# share falls with the square of the voltage (torque ∝ U², any textbook on induction motors).
_BREAKDOWN = 2.5
# Share of its starting torque at rated voltage that a motor needs against its load. Common practice, no source: a
# compressor of a refrigerating unit starts at some three quarters of its rated voltage, 0.75² ≈ 0.56.
_START_SHARE = 0.55
_START_SECONDS = 0.3
_STOP_SECONDS = 0.1
# A protector opens at some 1.4 times the rated current after minutes, at locked rotor within some seconds, and closes
# after the motor has cooled down. Common practice, no source.
_TRIP_SHARE = 1.4
_TRIP_SECONDS = 6.0
_RESET_SECONDS = 600.0
# Load of a compressor that turns backwards: it pumps nothing. Common practice, no source.
_BACKWARD_LOAD = 0.35
# Capacitance of the windings to the frame, F: it is in the open wire that a meter finds voltage on. Common practice, no
# source: some nanofarads.
_FRAME_FARADS = 2e-9
_ROTATING_VOLTS = 0.1  # least share of the rated voltage that keeps a rotor turning


class MotorState(StrEnum):
    """States of a motor; `TRIPPED`: its protector is open."""

    STOPPED = "stopped"
    RUNNING = "running"
    BACKWARD = "backward"
    TRIPPED = "tripped"


@dataclass(frozen=True)
class Motor(Star, Reacting):
    """The state and the ratings of a motor; ``amps`` is the rated running current, A, at ``rated_volts`` and ``hertz``.

    ``load`` is the mechanical load as a share of the rated one; ``breakdown`` is the load, as such a share, at which
    the motor falls out of its run (a fan's is high: a slower fan needs less). ``trip_seconds`` is the time in which the
    protector opens with the rotor locked; inf: there is none. ``grounded_at`` is the node from which the GND leg leads
    to the frame.
    """

    rated_volts: float = 240.0
    hertz: float = 60.0
    power_factor: float = 0.9
    locked_amps: float = 80.0
    load: float = 1.0
    start_share: float = _START_SHARE
    breakdown: float = _BREAKDOWN
    start_seconds: float = _START_SECONDS
    trip_amps: float = math.inf
    trip_seconds: float = math.inf
    reset_seconds: float = _RESET_SECONDS
    rotor_locked: bool = False
    protector_open: bool = False
    grounded_at: str = STAR_POINT
    state: MotorState = MotorState.STOPPED

    @property
    def running(self) -> bool:
        """Whether the rotor turns."""
        return self.state in {MotorState.RUNNING, MotorState.BACKWARD}

    @property
    def rated_amps(self) -> float:
        """The rated running current, A."""
        return self.amps or 0.0

    @property
    def is_off(self) -> bool:
        """Whether its protector is open, by itself or by a fault."""
        return self.state is MotorState.TRIPPED or self.protector_open

    def locked_impedance(self, phase_volts: float, hertz: float) -> complex:
        """Return the locked-rotor impedance of a main or phase winding, Ω, at ``hertz`` Hz."""
        size = phase_volts / self.locked_amps
        reactance = size * math.sqrt(1 - LOCKED_POWER_FACTOR**2)
        return complex(size * LOCKED_POWER_FACTOR, reactance * hertz / self.hertz)

    def frame_impedance(self, hertz: float) -> complex:
        """Return the impedance from the windings to the frame at ``hertz`` Hz, Ω: GND leg, and capacitance beside."""
        leakage = self.legs[GROUND].impedance(0.0)
        return leakage if not hertz else 1 / (1 / leakage + 1j * math.tau * hertz * _FRAME_FARADS)

    def become(self, state: str) -> Self:
        """Return the motor in another `MotorState`."""
        return replace(self, state=MotorState(state))

    def resistance(self, first: str, second: str, charged_for: float) -> float:  # noqa: ARG002  # holds no capacitor
        """Return the resistance between two terminals, Ω."""
        return driving_point_impedance(self.passive_elements(0.0), first, second).real

    def changes(self, view: CircuitView) -> list[Change]:
        """Return the changes that voltages and currents lead to."""
        if self.state is MotorState.TRIPPED:
            return [Change(MotorState.STOPPED, self.reset_seconds)]
        found = []
        amps = max(view.amps(self.name, terminal) for terminal in self._protected)
        if amps > self.trip_amps and math.isfinite(self.trip_seconds):
            # Heat goes with I²·t (any textbook on protection).
            found.append(Change(MotorState.TRIPPED, self.trip_seconds * (self.locked_amps / amps) ** 2))
        if not self.running:
            target = self._started_state(view)
            if target is not MotorState.STOPPED and not self.rotor_locked:
                found.append(Change(target, self.start_seconds))
        elif self._falls_out(view):
            found.append(Change(MotorState.STOPPED, _STOP_SECONDS))
        return found

    @property
    @abstractmethod
    def _protected(self) -> tuple[str, ...]:
        """Terminals whose current flows through the protector."""

    @abstractmethod
    def _started_state(self, view: CircuitView) -> MotorState:
        """Return the state that the torque at standstill leads to."""

    @abstractmethod
    def _falls_out(self, view: CircuitView) -> bool:
        """Return whether the voltage is too low, or its load too high, for it to run on."""


# The point of a single-phase motor where its protector and its windings meet.
_COMMON = STAR_POINT


@dataclass(frozen=True)
class SinglePhaseMotor(Motor):
    """A motor with a main winding and perhaps an auxiliary one; its terminals are common, main, auxiliary and GND.

    ``ratio`` is turns of the auxiliary winding per turn of the main one; the running rotor induces ``ratio`` times the
    main winding's voltage in it, a quarter period ahead (textbook: two-phase machine). ``farads`` is the rated run
    capacitor, which ``amps`` and ``power_factor`` go with. ``start_share`` counts from the torque at rated voltage
    with that capacitor: above 1 for a motor that needs a start capacitor.
    """

    ratio: float = 1.2
    farads: float = 0.0

    @property
    def _start(self) -> str:
        # The auxiliary winding's terminal; empty where there is none.
        return self.terminals[2] if len(self.terminals) == 4 else ""  # common, main, auxiliary, GND

    @property
    def _protected(self) -> tuple[str, ...]:
        return self.terminals[:1]

    @property
    def _main(self) -> str:
        return self.terminals[1]

    def passive_elements(self, hertz: float) -> list[Element]:
        """Return protector, windings and leakage; the windings of a stopped motor at ``hertz`` Hz."""
        return self._fixed_elements(hertz) + self._locked_windings(hertz)

    def elements(self, hertz: float, volts: NodeVolts | None) -> list[Element]:
        """Return the elements at ``hertz`` Hz; a running motor follows ``volts``."""
        if not hertz or not self.running:
            return self.passive_elements(hertz)
        return self._fixed_elements(hertz) + self._running_windings(hertz, volts)

    def _fixed_elements(self, hertz: float) -> list[Element]:
        common = self.terminals[0]
        found: list[Element] = []
        if not self.is_off:
            found += branch(common, _COMMON, self.legs[common].impedance(0.0))
        found += branch(GROUND, self.grounded_at, self.frame_impedance(hertz))
        if not hertz:
            return found
        for terminal, locked in ((self._main, self._main_locked(hertz)), (self._start, self._start_locked(hertz))):
            turns = self.legs[terminal].turns_share if terminal else 1.0
            if turns < 1 and not self.legs[terminal].fault:
                # The bridged turns are a secondary that is shorted: referred to the whole winding, Z/(1 − t).
                found += branch(terminal, _COMMON, locked / (1 - turns))
        return found

    def _main_locked(self, hertz: float) -> complex:
        return self.locked_impedance(self.rated_volts, hertz)

    def _start_locked(self, hertz: float) -> complex:
        """Return its own resistance, and the rest of the main winding's impedance by the square of the ratio."""
        if not self._start:
            return complex(math.inf)
        reflected = self._main_locked(hertz) - self.legs[self._main].ohms
        return self.legs[self._start].ohms + reflected * self.ratio**2

    def _locked_windings(self, hertz: float) -> list[Element]:
        found: list[Element] = []
        for terminal, locked in ((self._main, self._main_locked(hertz)), (self._start, self._start_locked(hertz))):
            if terminal:
                leg = self.legs[terminal]
                found += branch(terminal, _COMMON, locked if hertz and not leg.fault else leg.impedance(0.0))
        return found

    def _running_windings(self, hertz: float, volts: NodeVolts | None) -> list[Element]:
        main_volts, start_volts = self._winding_volts(hertz, volts)
        power = self.load * self._rated_power - self._start_power(main_volts, start_volts, hertz)
        found: list[Element] = []
        main = self.legs[self._main]
        if main.fault:
            found += branch(self._main, _COMMON, main.impedance(0.0))
        else:
            admittance = max(power, 0.0) / abs(main_volts) ** 2 - 1j / self._magnetizing_ohms
            found += branch(self._main, _COMMON, 1 / admittance)
        if self._start and not self.legs[self._start].fault:
            # I = (U_S − j·ratio·U_main)/Z: the induced voltage is a source that the main winding's voltage controls.
            admittance = 1 / self._start_impedance(hertz)
            induced = 1j * self.ratio
            row = (admittance, -induced * admittance, (induced - 1) * admittance)
            back = tuple(-entry for entry in row)
            zeros = (0j, 0j, 0j)
            found.append(Element((self._start, self._main, _COMMON), (row, zeros, back), zeros))
        elif self._start:
            found += branch(self._start, _COMMON, self.legs[self._start].impedance(0.0))
        return found

    def _winding_volts(self, hertz: float, volts: NodeVolts | None) -> tuple[complex, complex]:
        """Return the voltages of main and auxiliary winding; the rated ones while none are known."""
        rated = complex(self.rated_volts)
        if volts is None:
            return rated, self._rated_start_volts
        common = volts(_COMMON, hertz)
        main_volts = volts(self._main, hertz) - common
        # Without voltage there is no current; a floor keeps the equations regular until the motor has stopped.
        if abs(main_volts) < _ROTATING_VOLTS * self.rated_volts:
            main_volts = _ROTATING_VOLTS * rated
        return main_volts, (volts(self._start, hertz) - common) if self._start else 0j

    def _start_impedance(self, hertz: float) -> complex:
        # Resistance, and the stator's half of the leakage reactance (textbook: stator and rotor share it equally).
        return complex(self.legs[self._start].series_ohms, self._main_locked(hertz).imag / 2 * self.ratio**2)

    def _start_power(self, main_volts: complex, start_volts: complex, hertz: float) -> float:
        """Return the mechanical power of the auxiliary winding, W: Re(E·I*) with its induced voltage E."""
        if not self._start or self.legs[self._start].fault:
            return 0.0
        induced = 1j * self.ratio * main_volts
        return (induced * ((start_volts - induced) / self._start_impedance(hertz)).conjugate()).real

    # Rated values, from the nameplate

    @property
    def _rated_start_amps(self) -> complex:
        if not self._start or not self.farads:
            return 0j
        impedance = complex(self.legs[self._start].ohms, self._start_impedance(self.hertz).imag)
        return self.rated_volts * (1 - 1j * self.ratio) / (impedance - 1j / (math.tau * self.hertz * self.farads))

    @property
    def _rated_start_volts(self) -> complex:
        if not self._start:
            return 0j
        return 1j * self.ratio * self.rated_volts + self._rated_start_amps * self._start_impedance(self.hertz)

    @property
    def _rated_main_amps(self) -> complex:
        angle = complex(self.power_factor, -math.sqrt(1 - self.power_factor**2))
        return self.rated_amps * angle - self._rated_start_amps

    @property
    def _rated_power(self) -> float:
        """Power that both windings convert at the rated load, W."""
        main = self.rated_volts * self._rated_main_amps.real
        return main + (1j * self.ratio * self.rated_volts * self._rated_start_amps.conjugate()).real

    @property
    def _magnetizing_ohms(self) -> float:
        return self.rated_volts / -self._rated_main_amps.imag

    # Starting and stopping

    def _torque(self, main_volts: complex, start_amps: complex) -> float:
        # Torque at standstill ∝ I_main·I_start·sin(angle between them): textbook, two windings in quadrature.
        return ((main_volts / self._main_locked(self.hertz)).conjugate() * start_amps).imag

    def _started_state(self, view: CircuitView) -> MotorState:
        if self.is_off or any(self.legs[terminal].fault for terminal in self.terminals[:2]):
            return MotorState.STOPPED
        main_volts = view.phasor(self.name, self._main, _COMMON)
        if not self._start:  # it starts by itself: a shaded pole
            return (
                MotorState.RUNNING
                if abs(main_volts / self.rated_volts) ** 2 >= self.start_share
                else MotorState.STOPPED
            )
        if self.legs[self._start].fault:
            return MotorState.STOPPED
        start_amps = view.phasor(self.name, self._start, _COMMON) / self._start_locked(self.hertz)
        capacitor = -1j / (math.tau * self.hertz * self.farads) if self.farads else 0j
        rated = self._torque(self.rated_volts, self.rated_volts / (self._start_locked(self.hertz) + capacitor))
        return (
            MotorState.RUNNING
            if self._torque(main_volts, start_amps) >= self.start_share * rated
            else MotorState.STOPPED
        )

    def _falls_out(self, view: CircuitView) -> bool:
        main_volts = view.phasor(self.name, self._main, _COMMON)
        share = abs(main_volts) / self.rated_volts
        broken = self.is_off or any(self.legs[terminal].fault for terminal in self.terminals[:2])
        if self.rotor_locked or broken or share < _ROTATING_VOLTS:
            return True
        start_volts = view.phasor(self.name, self._start, _COMMON) if self._start else 0j
        power = self.load * self._rated_power - self._start_power(main_volts, start_volts, self.hertz)
        return power > self.breakdown * share**2 * self.rated_volts * self._rated_main_amps.real


def single_phase_motor(
    name: str,
    circuit: str,
    *,
    main_ohms: float,
    amps: float,
    locked_amps: float,
    start_ohms: float | None = None,
    farads: float = 0.0,
    rated_volts: float = 240.0,
    hertz: float = 60.0,
    power_factor: float = 0.9,
    ratio: float = 1.2,
    load: float = 1.0,
    start_share: float = _START_SHARE,
    breakdown: float = _BREAKDOWN,
    protector_ohms: float = 0.0,
    ground_ohms: float = math.inf,
    has_protector: bool = True,
    trip_seconds: float = _TRIP_SECONDS,
    reset_seconds: float = _RESET_SECONDS,
    terminals: tuple[str, ...] = ("C", "R", "S"),
) -> SinglePhaseMotor:
    """Return a stopped motor; without ``start_ohms`` it starts by itself (a shaded pole) and has two terminals.

    ``terminals`` are common, main and auxiliary; GND is added. Values in Ω, A, F, V, Hz and s; ``amps`` at
    ``power_factor`` (0 to 1) is the current in the common lead at rated voltage and load with ``farads`` as the run
    capacitor. The protector trips above 1.4 times ``amps``.

    Raises:
        InputError: the values contradict each other.
    """
    legs = {terminals[0]: Leg(ohms=protector_ohms), terminals[1]: Leg(ohms=main_ohms, is_winding=True)}
    if start_ohms is not None:
        legs[terminals[2]] = Leg(ohms=start_ohms, is_winding=True)
    legs[GROUND] = Leg(ohms=ground_ohms)
    motor = SinglePhaseMotor(
        name,
        circuit,
        legs,
        amps=amps,
        rated_volts=rated_volts,
        hertz=hertz,
        power_factor=power_factor,
        locked_amps=locked_amps,
        load=load,
        start_share=start_share,
        breakdown=breakdown,
        trip_amps=_TRIP_SHARE * amps,
        trip_seconds=trip_seconds if has_protector else math.inf,
        reset_seconds=reset_seconds,
        ratio=ratio,
        farads=farads,
    )
    if main_ohms >= motor.locked_impedance(rated_volts, hertz).real:
        raise InputError(f"{name!r}: {locked_amps:g} A of locked-rotor current do not fit {main_ohms:g} Ω of winding.")
    main_amps = motor._rated_main_amps  # noqa: SLF001  # of its own class's making
    if main_amps.real <= 0 or main_amps.imag >= 0:
        raise InputError(
            f"{name!r}: the run capacitor would carry more than {amps:g} A at a power factor of {power_factor:g}.",
            "Give a smaller capacitor, or a higher running current.",
        )
    return motor


@dataclass(frozen=True)
class ThreePhaseMotor(Motor):
    """A motor with three windings in a star; its protector opens the star point. Terminals: three phases and GND.

    Its current is that of positive and negative sequence: the slip for the negative sequence is nearly 2, so that its
    impedance is nearly that of the locked rotor (symmetrical components, any textbook on induction motors). Hence some
    percent of unbalanced voltage draw several times as many percent of unbalanced current.
    """

    @property
    def _protected(self) -> tuple[str, ...]:
        return self.terminals[:3]

    @property
    def _phases(self) -> tuple[str, str, str]:
        first, second, third = self.terminals[:3]
        return first, second, third

    @property
    def _phase_volts(self) -> float:
        return self.rated_volts / math.sqrt(3)

    def passive_elements(self, hertz: float) -> list[Element]:
        """Return the windings of a stopped motor at ``hertz`` Hz, and the leakage."""
        if hertz:
            locked = 1 / self.locked_impedance(self._phase_volts, hertz)
            return self._machine(locked, locked, hertz)
        found: list[Element] = []
        for phase in self._phases:
            # An open protector leaves each winding at an end of its own.
            end = f"{STAR_POINT}{phase} end" if self.is_off else STAR_POINT
            found += branch(phase, end, self.legs[phase].impedance(0.0))
        return found + branch(GROUND, self.grounded_at, self.legs[GROUND].impedance(0.0))

    def elements(self, hertz: float, volts: NodeVolts | None) -> list[Element]:
        """Return the elements at ``hertz`` Hz; a running motor follows ``volts``."""
        if not hertz or not self.running:
            return self.passive_elements(hertz)
        positive = self._phase_volts
        if volts is not None:
            inner = [volts(f"{STAR_POINT}{phase}", hertz) for phase in self._phases]
            positive = max(
                abs(_sequence(inner, backward=self.state is MotorState.BACKWARD)), _ROTATING_VOLTS * self._phase_volts
            )
        load = self.load * (_BACKWARD_LOAD if self.state is MotorState.BACKWARD else 1.0)
        magnetizing = self.rated_amps * math.sqrt(1 - self.power_factor**2) / self._phase_volts
        forward = complex(load * self._rated_power / (3 * positive**2), -magnetizing)
        backward = 1 / self.locked_impedance(self._phase_volts, hertz)
        return self._machine(
            *((backward, forward) if self.state is MotorState.BACKWARD else (forward, backward)), hertz
        )

    def _machine(self, positive: complex, negative: complex, hertz: float) -> list[Element]:
        inner = tuple(f"{STAR_POINT}{phase}" for phase in self._phases)
        found: list[Element] = []
        if not self.is_off:
            found.append(machine((inner[0], inner[1], inner[2]), positive, negative))
        locked = self.locked_impedance(self._phase_volts, hertz)
        for phase, node in zip(self._phases, inner, strict=True):
            leg = self.legs[phase]
            if leg.fault == "open":
                continue
            found += branch(phase, node, 0j)
            # Bridged turns are a secondary that is shorted: referred to the whole winding, Z/(1 − t). The winding lies
            # between its terminal and the mean of the three.
            bridged = (
                complex(SHORT_OHMS) if leg.fault else locked / (1 - leg.turns_share) if leg.turns_share < 1 else None
            )
            if bridged is not None and not self.is_off:
                found.append(coupling({other: complex(2 if other == node else -1) / 3 for other in inner}, bridged))
        to_frame = self.frame_impedance(hertz)
        if self.grounded_at != STAR_POINT:
            found += branch(GROUND, self.grounded_at, to_frame)
        elif not self.is_off:
            found.append(coupling({**dict.fromkeys(inner, complex(1 / 3)), GROUND: -1}, to_frame))
        return found

    @property
    def _rated_power(self) -> float:
        return 3 * self._phase_volts * self.rated_amps * self.power_factor

    def _phase_phasors(self, view: CircuitView) -> list[complex]:
        third = f"{STAR_POINT}{self._phases[2]}"
        return [view.phasor(self.name, f"{STAR_POINT}{phase}", third) for phase in self._phases[:2]] + [0j]

    def _started_state(self, view: CircuitView) -> MotorState:
        if self.is_off:
            return MotorState.STOPPED
        # Torque at standstill ∝ U₊² − U₋² (textbook): none on two phases, backward with two phases exchanged.
        phasors = self._phase_phasors(view)
        forward, backward = (abs(_sequence(phasors, backward=turned)) for turned in (False, True))
        torque = (forward**2 - backward**2) / self._phase_volts**2
        if abs(torque) < self.start_share:
            return MotorState.STOPPED
        return MotorState.RUNNING if torque > 0 else MotorState.BACKWARD

    def _falls_out(self, view: CircuitView) -> bool:
        share = (
            abs(_sequence(self._phase_phasors(view), backward=self.state is MotorState.BACKWARD)) / self._phase_volts
        )
        return self.rotor_locked or self.is_off or share < _ROTATING_VOLTS or self.load > self.breakdown * share**2


def _sequence(phasors: list[complex], *, backward: bool) -> complex:
    """Return the positive-sequence voltage, V; ``backward``: the negative one. (U1 + a·U2 + a²·U3)/3."""
    turn = cmath.exp((-2j if backward else 2j) * math.pi / 3)
    return (phasors[0] + turn * phasors[1] + turn**2 * phasors[2]) / 3


def three_phase_motor(
    name: str,
    circuit: str,
    *,
    ohms: float,
    amps: float,
    locked_amps: float,
    rated_volts: float = 230.0,
    hertz: float = 60.0,
    power_factor: float = 0.85,
    load: float = 1.0,
    start_share: float = _START_SHARE,
    breakdown: float = _BREAKDOWN,
    ground_ohms: float = math.inf,
    has_protector: bool = True,
    trip_seconds: float = _TRIP_SECONDS,
    reset_seconds: float = _RESET_SECONDS,
    terminals: tuple[str, str, str] = ("T1", "T2", "T3"),
) -> ThreePhaseMotor:
    """Return a stopped motor in star connection.

    ``ohms`` is the resistance between two terminals, as on the maker's sheet, ``amps`` at ``power_factor`` (0 to 1) the
    running current, both at ``rated_volts`` between lines. Values in Ω, A, V, Hz and s.
    """
    legs: Mapping[str, Leg] = {
        **{terminal: Leg(ohms=ohms / 2, is_winding=True) for terminal in terminals},
        GROUND: Leg(ohms=ground_ohms),
    }
    return ThreePhaseMotor(
        name,
        circuit,
        legs,
        amps=amps,
        rated_volts=rated_volts,
        hertz=hertz,
        power_factor=power_factor,
        locked_amps=locked_amps,
        load=load,
        start_share=start_share,
        breakdown=breakdown,
        trip_amps=_TRIP_SHARE * amps,
        trip_seconds=trip_seconds if has_protector else math.inf,
        reset_seconds=reset_seconds,
    )
