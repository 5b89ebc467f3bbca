"""The way of a signal over the simulated bench, computed once for each state of it."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.described.bench_description import THROUGH, BenchDescription
from drivers.simulated.physics.construction import Workshop

if TYPE_CHECKING:
    from skrf import Network

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
ValueT = TypeVar("ValueT")

POINTS_KEPT = 200_000
"""Of each sort of thing, all in all: some tens of megabytes."""
POINTS_EACH = 50
"""What keeping anything costs besides, in points."""
BYTES_OF_A_FREQUENCY = 8


@dataclass(frozen=True)
class MatingScale:
    """One made connection relative to the nominal one."""

    resistance: float
    gap: float


@dataclass(frozen=True)
class Contact:
    """What has become of a made connection: taken apart, or looser than it was made."""

    is_open: bool = False
    resistance: float = 1.0
    """Relative to what it was made with."""
    gap: float = 1.0


Contacts = tuple[Contact, Contact]
TIGHT: Contacts = (Contact(), Contact())


@dataclass(frozen=True)
class Flexure:
    """How a lead lies: its change of length in metres, its relative conductor resistance."""

    length_m: float = 0.0
    resistance: float = 1.0


@dataclass(frozen=True)
class SwitchClosing:
    """A closed channel; the resistances of its two contacts relative to the nominal one."""

    channel: int
    near_resistance: float
    far_resistance: float


@dataclass(frozen=True)
class PathState:
    """All that decides what a signal meets between two ports."""

    connected: str
    matings: tuple[MatingScale, MatingScale]
    through_matings: tuple[MatingScale, MatingScale]
    flexures: tuple[Flexure, Flexure]
    open_pins: tuple[bool, ...]
    through_open_pins: tuple[bool, ...]
    closings: tuple[SwitchClosing, ...]
    temperature_c: float
    contacts: Contacts = TIGHT
    """Of what is connected, near and far."""


class SignalPath:
    """Builds the network from port to port of a bench and keeps what it has built."""

    def __init__(self, description: BenchDescription) -> None:
        self._description = description
        self._workshops: _Kept[Workshop] = _Kept()
        self._ports: _Kept[Network] = _Kept()
        self._leads: _Kept[Network] = _Kept()
        self._bodies: _Kept[Network | None] = _Kept()
        self._paths: _Kept[ComplexArray] = _Kept()

    def scattering(
        self, frequency_hz: FloatArray, state: PathState, near_port_f: float, far_port_f: float
    ) -> ComplexArray:
        """Scattering parameters from port to port, shape (P, 2, 2); not to be written to."""
        grid = frequency_hz.tobytes()

        def build() -> ComplexArray:
            workshop = self._workshops.get(
                grid,
                state.temperature_c,
                lambda: Workshop(self._description, frequency_hz, state.temperature_c),
            )
            s = np.asarray(self._cascade(grid, workshop, state, near_port_f, far_port_f).s)
            s.flags.writeable = False
            return s

        return self._paths.get(grid, (state, near_port_f, far_port_f), build)

    def _cascade(
        self,
        grid: bytes,
        workshop: Workshop,
        state: PathState,
        near_port_f: float,
        far_port_f: float,
    ) -> Network:
        near, far = (
            self._leads.get(
                grid,
                (state.temperature_c, flexure, port_f, is_far),
                partial(self._lead, grid, workshop, flexure, port_f, is_far=is_far),
            )
            for flexure, port_f, is_far in zip(
                state.flexures, (near_port_f, far_port_f), (False, True), strict=True
            )
        )
        if self._description.switch is None:
            between = self._joined(grid, workshop, state)
        else:
            between = self._switched(grid, workshop, state)
        return workshop.chain([near, between, far])

    def _lead(
        self, grid: bytes, workshop: Workshop, flexure: Flexure, port_f: float, *, is_far: bool
    ) -> Network:
        """An instrument's port with its lead, from the signal's side."""
        port = self._ports.get(grid, port_f, lambda: workshop.port(port_f))
        lead = workshop.chain([port, workshop.lead(flexure.length_m, flexure.resistance)])
        return workshop.flipped(lead) if is_far else lead

    def _joined(self, grid: bytes, workshop: Workshop, state: PathState) -> Network:
        """What the hand has put between two ends."""
        if not state.connected:
            return workshop.open_end()
        body = self._body(grid, workshop, state.temperature_c, state.connected, state.open_pins)
        return _mated(workshop, body, state.matings, state.contacts)

    def _body(
        self,
        grid: bytes,
        workshop: Workshop,
        temperature_c: float,
        name: str,
        open_pins: tuple[bool, ...] = (),
    ) -> Network | None:
        return self._bodies.get(
            grid,
            (temperature_c, name, open_pins),
            lambda: workshop.assembly(self._description.assembly(name), open_pins),
        )

    def _switched(self, grid: bytes, workshop: Workshop, state: PathState) -> Network:
        """What the closed channels of the switch put between the leads, all in parallel."""
        switch = self._description.switch
        if switch is None:
            raise AssertionError("there is a switch")
        branches = []
        for closing in state.closings:
            channel = switch.channels[str(closing.channel)]
            if channel.joins == "through":
                through = self._body(
                    grid, workshop, state.temperature_c, THROUGH, state.through_open_pins
                )
                joined = _mated(workshop, through, state.through_matings)
            else:
                joined = self._joined(grid, workshop, state)
            near = workshop.switch_side(channel, closing.near_resistance)
            far = workshop.switch_side(channel, closing.far_resistance)
            branches.append(workshop.chain([near, joined, workshop.flipped(far)]))
        return workshop.parallel(branches) if branches else workshop.open_end()


def _mated(
    workshop: Workshop,
    body: Network | None,
    matings: tuple[MatingScale, MatingScale],
    contacts: Contacts = TIGHT,
) -> Network:
    """With a body between them both connections are made; two ends joined directly make one.

    That one is as its worse half: open if either is.
    """
    if body is None:
        near, far = contacts
        worse = max((near, far), key=lambda one: (one.is_open, one.resistance))
        return _connection(workshop, matings[0], worse)
    first, second = (
        _connection(workshop, scale, contact)
        for scale, contact in zip(matings, contacts, strict=True)
    )
    return workshop.chain([first, body, second])


def _connection(workshop: Workshop, scale: MatingScale, contact: Contact) -> Network:
    if contact.is_open:
        return workshop.open_end()
    return workshop.mating(scale.resistance * contact.resistance, scale.gap * contact.gap)


class _Kept(Generic[ValueT]):
    """What was built on a frequency grid; beyond so many points the least recently used goes."""

    def __init__(self) -> None:
        self._values: OrderedDict[tuple[bytes, Hashable], ValueT] = OrderedDict()
        self._points = 0

    def get(self, grid: bytes, key: Hashable, build: Callable[[], ValueT]) -> ValueT:
        whole = (grid, key)
        if whole in self._values:
            self._values.move_to_end(whole)
            return self._values[whole]
        value = build()
        self._values[whole] = value
        self._points += _size(grid)
        while self._points > POINTS_KEPT and len(self._values) > 1:
            (old, _), _ = self._values.popitem(last=False)
            self._points -= _size(old)
        return value


def _size(grid: bytes) -> int:
    return POINTS_EACH + len(grid) // BYTES_OF_A_FREQUENCY
