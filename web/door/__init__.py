"""The door to the network: which device is let in, and how far."""

from web.door.codes import Codes, Refusal
from web.door.devices import Device, Devices
from web.door.door import Door

__all__ = ["Codes", "Device", "Devices", "Door", "Refusal"]
