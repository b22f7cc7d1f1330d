"""Which characteristic of a connected indicator holds its reading."""

from __future__ import annotations

from dataclasses import dataclass

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic

from capture.decoders.gatt_length import PRESENTATION_FORMAT, is_length
from capture.errors import SourceError
from capture.profiles import Profile, uuid_of

_ASSIGNED = "-0000-1000-8000-00805f9b34fb"
_TELLS = {"notify", "indicate"}


@dataclass(frozen=True)
class Choice:
    """A characteristic to read, and its descriptor where it describes itself."""

    characteristic: BleakGATTCharacteristic
    description: tuple[int, bytes] | None = None
    """Handle and value."""


async def choose(client: BleakClient, profile: Profile, name: str) -> Choice:
    """The characteristic the profile means.

    Raises
    ------
    SourceError
        If none does, or several do.
    """
    wanted = uuid_of(profile.values.get("characteristic"))
    usable = [c for c in characteristics(client) if _TELLS & set(c.properties) or "read" in c.properties]
    if wanted is not None:
        fits = [Choice(c) for c in usable if c.uuid == wanted]
    elif profile.kind == "gatt-length":
        fits = [Choice(c) for c in usable if c.get_descriptor(PRESENTATION_FORMAT) is not None]
    else:
        # Characteristics with an assigned number are battery, name and the like, and hold no reading in a format of its own.
        fits = [Choice(c) for c in usable if _TELLS & set(c.properties) and not c.uuid.endswith(_ASSIGNED)]
    if profile.kind == "gatt-length":
        described = [Choice(f.characteristic, await description(client, f.characteristic)) for f in fits]
        fits = [c for c in described if c.description is not None and is_length(c.description[1])]
    if len(fits) == 1:
        return fits[0]
    has = ", ".join(sorted(c.uuid for c in usable)) or "none"
    if not fits:
        what = f"characteristic {wanted}" if wanted else "characteristic that the profile can read"
        raise SourceError(f"{name} has no {what}; it has: {has}. Use identify {name} to see what they hold.")
    several = ", ".join(c.characteristic.uuid for c in fits)
    raise SourceError(
        f"{name}: {len(fits)} characteristics may hold the reading: {several}. Set characteristic in the profile."
    )


def characteristics(client: BleakClient) -> list[BleakGATTCharacteristic]:
    """All characteristics, in the indicator's order."""
    return sorted(client.services.characteristics.values(), key=lambda c: c.handle)


async def description(client: BleakClient, c: BleakGATTCharacteristic) -> tuple[int, bytes] | None:
    """Handle and value of the Presentation Format descriptor, or None."""
    found = c.get_descriptor(PRESENTATION_FORMAT)
    return None if found is None else (found.handle, bytes(await client.read_gatt_descriptor(found.handle)))
