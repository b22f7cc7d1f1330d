"""The system's Bluetooth service as a program sees it over D-Bus, with indicators of our own and no radio.

It answers the object manager, adapter, device and attribute interfaces under the names the operating system uses, so that the
real library talks to it.  Everything is one message handler over a plain tree of objects, because signals of added interfaces
must come from "/" with all interfaces at once.
"""

from __future__ import annotations

import asyncio
import select
import socket
import struct
from collections.abc import Callable, Coroutine
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from dbus_fast import Message, MessageType, NameFlag, RequestNameReply
from dbus_fast import Variant as V
from dbus_fast.aio import MessageBus

MANAGER = "org.freedesktop.DBus.ObjectManager"
PROPERTIES = "org.freedesktop.DBus.Properties"
ADAPTER, DEVICE = "org.bluez.Adapter1", "org.bluez.Device1"
SERVICE, CHARACTERISTIC = "org.bluez.GattService1", "org.bluez.GattCharacteristic1"
DESCRIPTOR = "org.bluez.GattDescriptor1"
WRITABLE_S = 60.0
PRESENTATION_FORMAT, CONFIGURATION = 0x2904, 0x2902


def assigned(n: int) -> str:
    """Identity of an assigned number."""
    return f"0000{n:04x}-0000-1000-8000-00805f9b34fb"


class RefusedError(Exception):
    """An error to answer with."""

    def __init__(self, name: str, text: str = "") -> None:
        super().__init__(text)
        self.name, self.text = name, text


def failed(text: str) -> RefusedError:
    """The service's general error."""
    return RefusedError("org.bluez.Error.Failed", text)


@dataclass
class Descriptor:
    """A descriptor."""

    uuid: str
    value: bytes = b""
    path: str = ""


@dataclass
class Characteristic:
    """A characteristic, and who has asked for its notifications."""

    uuid: str
    flags: tuple[str, ...] = ("read", "notify")
    value: bytes = b""
    descriptors: list[Descriptor] = field(default_factory=list)
    path: str = ""
    listeners: set[str] = field(default_factory=set)
    sockets: dict[str, socket.socket] = field(default_factory=dict)
    on_write: Callable[[bytes], None] | None = None
    refuses: RefusedError | None = None


@dataclass
class Peripheral:
    """A device with its services, and how it behaves when connected to."""

    address: str
    name: str | None
    advertised: tuple[str, ...] = ()
    services: list[tuple[str, list[Characteristic]]] = field(default_factory=list)
    advertising: bool = True
    connect_s: float = 0.02
    resolve_s: float = 0.02
    connect_errors: list[RefusedError] = field(default_factory=list)
    connect_hangs: bool = False
    never_resolves: bool = False
    path: str = ""
    connects: int = 0
    connecting: asyncio.Event | None = None
    """There while an attempt to connect is under way, whoever made it; set when it is called off."""

    @property
    def characteristics(self) -> list[Characteristic]:
        """All of them."""
        return [c for _, cs in self.services for c in cs]


LENGTH_SERVICE = "8f1d0001-6a2b-4c55-9d2e-1b2c3d4e5f60"
LENGTH = "8f1d0002-6a2b-4c55-9d2e-1b2c3d4e5f60"
COMMAND = "8f1d0003-6a2b-4c55-9d2e-1b2c3d4e5f60"


def format_descriptor(form: int = 0x10, exponent: int = -6, unit: int = 0x2701) -> Descriptor:
    """A Presentation Format descriptor: by default thousandths of a millimetre in four signed bytes."""
    return Descriptor(assigned(PRESENTATION_FORMAT), struct.pack("<BbHBH", form, exponent, unit, 1, 0))


def indicator(
    address: str = "C0:FF:EE:00:00:01",
    name: str = "LENGTH-1",
    flags: tuple[str, ...] = ("read", "notify"),
    described: Descriptor | None = None,
    plain: bool = False,
) -> Peripheral:
    """An invented indicator; `plain` leaves its description out."""
    about = [] if plain else [described or format_descriptor()]
    length = Characteristic(LENGTH, flags, struct.pack("<i", 0), [Descriptor(assigned(CONFIGURATION)), *about])
    battery = Characteristic(assigned(0x2A19), ("read", "notify"), b"\x57", [Descriptor(assigned(CONFIGURATION))])
    return Peripheral(
        address,
        name,
        (LENGTH_SERVICE,),
        [(LENGTH_SERVICE, [length, Characteristic(COMMAND, ("write",))]), (assigned(0x180F), [battery])],
    )


class BluetoothService:
    """The service, on a bus.

    Parameters
    ----------
    bus_address : str
    adapter : bool
        Whether there is an adapter.
    powered : bool
        Whether it is switched on.
    """

    def __init__(self, bus_address: str, *, adapter: bool = True, powered: bool = True) -> None:
        self._address = bus_address
        self.adapter = "/org/bluez/hci0"
        self._has_adapter = adapter
        self._powered = powered
        self.objects: dict[str, dict[str, dict[str, V]]] = {}
        self.peripherals: dict[str, Peripheral] = {}
        self.scanners: dict[str, set[str]] = {}
        self._filters: dict[str, set[str]] = {}
        self.calls: list[tuple[str, str]] = []
        self._tasks: set[asyncio.Task[None]] = set()
        self.advertises_every_s = 0.1
        self.each_twice = False
        self.hands_over_sockets = False
        self.bus: MessageBus | None = None
        self._handed: list[socket.socket] = []

    # life

    async def start(self) -> None:
        """Take the service's name on the bus."""
        self.bus = await MessageBus(bus_address=self._address, negotiate_unix_fd=True).connect()
        self.bus.add_message_handler(self._handle)
        await self.bus.call(
            Message(
                destination="org.freedesktop.DBus",
                path="/org/freedesktop/DBus",
                interface="org.freedesktop.DBus",
                member="AddMatch",
                signature="s",
                body=["type='signal',sender='org.freedesktop.DBus',member='NameOwnerChanged'"],
            )
        )
        self.objects["/org/bluez"] = {"org.bluez.AgentManager1": {}}
        if self._has_adapter:
            self._add(self.adapter, {ADAPTER: self._adapter_properties()})
        # The one before may have died this moment, and the bus not have seen it yet.
        async with asyncio.timeout(WRITABLE_S):
            while await self.bus.request_name("org.bluez", NameFlag.DO_NOT_QUEUE) is not RequestNameReply.PRIMARY_OWNER:
                await asyncio.sleep(0.01)

    async def stop(self) -> None:
        """Vanish from the bus without a word, as a service that crashed."""
        for t in list(self._tasks):
            t.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=WRITABLE_S)
        if self.bus is not None:
            self.bus.disconnect()
            # If the bus died first, waiting tells how it died.
            with suppress(Exception):
                await self.bus.wait_for_disconnect()
        for one in self._handed:
            one.close()
        self._handed.clear()
        self.objects.clear()
        self.scanners.clear()
        for p in self.peripherals.values():
            for c in p.characteristics:
                c.listeners.clear()
                self._close(c)

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    # the tree of objects

    def _adapter_properties(self) -> dict[str, V]:
        return {
            "Address": V("s", "00:11:22:33:44:55"),
            "AddressType": V("s", "public"),
            "Name": V("s", "bench"),
            "Alias": V("s", "bench"),
            "Powered": V("b", self._powered),
            "Discovering": V("b", False),
            "UUIDs": V("as", []),
            "Roles": V("as", ["central", "peripheral"]),
        }

    def _send(self, message: Message) -> None:
        assert self.bus is not None
        if self.bus.connected:
            # A bus that is slow to take what it is sent costs the library its connection, in a burst on a busy machine.
            select.select([], [self.bus._sock], [], WRITABLE_S)
            self.bus.send(message)

    def _add(self, path: str, interfaces: dict[str, dict[str, V]]) -> None:
        self.objects[path] = interfaces
        self._send(Message.new_signal("/", MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, interfaces]))

    def _remove(self, path: str) -> None:
        interfaces = self.objects.pop(path, None)
        if interfaces is not None:
            self._send(Message.new_signal("/", MANAGER, "InterfacesRemoved", "oas", [path, list(interfaces)]))

    def _changed(self, path: str, interface: str, changes: dict[str, V], gone: tuple[str, ...] = ()) -> None:
        if path not in self.objects:
            return
        self.objects[path][interface].update(changes)
        for n in gone:
            self.objects[path][interface].pop(n, None)
        body = [interface, changes, list(gone)]
        self._send(Message.new_signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", body))

    def add(self, p: Peripheral) -> None:
        """Bring a peripheral near.  Paths must end in exactly four hex digits."""
        p.path = f"{self.adapter}/dev_{p.address.replace(':', '_')}"
        self.peripherals[p.path] = p
        handle = 0x000A
        for number, (_, characteristics) in enumerate(p.services):
            handle += 1
            for c in characteristics:
                c.path = f"{p.path}/service{0x1000 + number:04x}/char{handle:04x}"
                handle += 2
                for d in c.descriptors:
                    d.path = f"{c.path}/desc{handle:04x}"
                    handle += 1

    def connected(self, p: Peripheral) -> bool:
        """Whether anybody is connected to it."""
        o = self.objects.get(p.path)
        return bool(o and o[DEVICE]["Connected"].value)

    def _advertise(self, p: Peripheral) -> None:
        if p.path in self.objects:
            self._changed(p.path, DEVICE, {"RSSI": V("n", -60)})
            return
        properties = {
            "Address": V("s", p.address),
            "AddressType": V("s", "random"),
            "Alias": V("s", p.name or p.address.replace(":", "-")),
            "Paired": V("b", False),
            "Trusted": V("b", False),
            "Blocked": V("b", False),
            "Connected": V("b", False),
            "ServicesResolved": V("b", False),
            "RSSI": V("n", -60),
            "UUIDs": V("as", list(p.advertised)),
            "Adapter": V("o", self.adapter),
        }
        if p.name:
            properties["Name"] = V("s", p.name)
        self._add(p.path, {DEVICE: properties})

    def _show_services(self, p: Peripheral) -> None:
        for number, (uuid, characteristics) in enumerate(p.services):
            path = f"{p.path}/service{0x1000 + number:04x}"
            if path in self.objects:
                continue
            about = {"UUID": V("s", uuid), "Device": V("o", p.path), "Primary": V("b", True), "Includes": V("ao", [])}
            self._add(path, {SERVICE: about})
            for c in characteristics:
                properties = {
                    "UUID": V("s", c.uuid),
                    "Service": V("o", path),
                    "Value": V("ay", b""),
                    "Flags": V("as", list(c.flags)),
                    "MTU": V("q", 247),
                }
                if {"notify", "indicate"} & set(c.flags):
                    properties["Notifying"] = V("b", False)
                    if self.hands_over_sockets:
                        properties["NotifyAcquired"] = V("b", False)
                self._add(c.path, {CHARACTERISTIC: properties})
                for d in c.descriptors:
                    held = {"UUID": V("s", d.uuid), "Characteristic": V("o", c.path), "Value": V("ay", b"")}
                    self._add(d.path, {DESCRIPTOR: held | {"Flags": V("as", ["read"])}})

    # what a test does to it

    def set_powered(self, on: bool) -> None:
        """Switch the adapter."""
        self._powered = on
        if not on:
            for p in self.peripherals.values():
                self.drop(p)
            self.scanners.clear()
        self._changed(self.adapter, ADAPTER, {"Powered": V("b", on), "Discovering": V("b", False)})

    def drop(self, p: Peripheral) -> None:
        """The link breaks, as when the indicator is carried off."""
        if not self.connected(p):
            return
        for c in p.characteristics:
            c.listeners.clear()
            self._close(c)
            if c.path in self.objects and "Notifying" in self.objects[c.path][CHARACTERISTIC]:
                self._changed(c.path, CHARACTERISTIC, {"Notifying": V("b", False)})
        self._changed(p.path, DEVICE, {"ServicesResolved": V("b", False)})
        self._changed(p.path, DEVICE, {"Connected": V("b", False)})

    def hold(self, p: Peripheral) -> None:
        """Be connected to it on behalf of a program that is gone."""
        self._advertise(p)
        self._changed(p.path, DEVICE, {"Connected": V("b", True)})

    def notify(self, c: Characteristic, value: bytes) -> bool:
        """Send a notification; False if nobody listens."""
        c.value = value
        if not c.listeners:
            return False
        for one in c.sockets.values():
            one.send(value)
        if set(c.sockets) == c.listeners:
            return True
        for _ in range(2 if self.each_twice else 1):
            self._changed(c.path, CHARACTERISTIC, {"Value": V("ay", value)})
        return True

    # messages

    def _handle(self, m: Message) -> Message | bool | None:
        if m.message_type is MessageType.SIGNAL:
            if m.member == "NameOwnerChanged" and m.body[0].startswith(":") and not m.body[2]:
                self._client_gone(m.body[0])
            return None
        if m.message_type is not MessageType.METHOD_CALL or m.path is None:
            return None
        if m.interface in ("org.freedesktop.DBus.Introspectable", "org.freedesktop.DBus.Peer"):
            return None
        self.calls.append((m.path, m.member or ""))
        try:
            answer = self._call(m)
        except RefusedError as e:
            return Message.new_error(m, e.name, e.text)
        if asyncio.iscoroutine(answer):
            self._spawn(self._later(m, answer))
            return True
        if isinstance(answer, Message):
            return answer
        signature, body = answer or ("", [])
        return Message.new_method_return(m, signature, body)

    async def _later(self, m: Message, work: Coroutine[Any, Any, None]) -> None:
        try:
            await work
        except RefusedError as e:
            self._send(Message.new_error(m, e.name, e.text))
            return
        self._send(Message.new_method_return(m, "", []))

    def _client_gone(self, sender: str) -> None:
        self.scanners.pop(sender, None)
        for p in self.peripherals.values():
            for c in p.characteristics:
                if sender in c.listeners:
                    self._deaf(c, sender)

    @staticmethod
    def _close(c: Characteristic) -> None:
        for one in c.sockets.values():
            one.close()
        c.sockets.clear()

    def _deaf(self, c: Characteristic, sender: str) -> None:
        c.listeners.discard(sender)
        if sender in c.sockets:
            c.sockets.pop(sender).close()
        if not c.listeners:
            self._changed(c.path, CHARACTERISTIC, {"Notifying": V("b", False)})

    def _find(self, path: str) -> tuple[Peripheral, Any]:
        for p in self.peripherals.values():
            if path == p.path:
                return p, None
            for c in p.characteristics:
                for x in (c, *c.descriptors):
                    if x.path == path:
                        return p, x
        raise RefusedError("org.freedesktop.DBus.Error.UnknownObject", path)

    def _call(self, m: Message) -> Any:
        if m.path == "/" and m.member == "GetManagedObjects":
            return "a{oa{sa{sv}}}", [self.objects]
        o = self.objects.get(m.path or "")
        if o is None:
            raise RefusedError("org.freedesktop.DBus.Error.UnknownObject", f"no object {m.path}")
        if m.interface == PROPERTIES and m.member == "GetAll":
            return "a{sv}", [o.get(m.body[0], {})]
        if m.interface == PROPERTIES and m.member == "Get":
            return "v", [o[m.body[0]][m.body[1]]]
        act = getattr(self, f"_on_{m.member}", None)
        if act is None or m.interface not in o:
            raise RefusedError("org.freedesktop.DBus.Error.UnknownMethod", f"no method {m.member}")
        return act(m)

    # the adapter

    def _ready(self) -> None:
        if not self._powered:
            raise RefusedError("org.bluez.Error.NotReady", "Resource Not Ready")

    def _on_SetDiscoveryFilter(self, m: Message) -> None:
        uuids = m.body[0].get("UUIDs")
        self._filters[m.sender or ""] = {u.lower() for u in uuids.value} if uuids is not None else set()

    def _on_StartDiscovery(self, m: Message) -> None:
        self._ready()
        sender = m.sender or ""
        if sender in self.scanners:
            raise RefusedError("org.bluez.Error.InProgress", "Operation already in progress")
        first = not self.scanners
        self.scanners[sender] = self._filters.get(sender, set())
        if first:
            self._changed(self.adapter, ADAPTER, {"Discovering": V("b", True)})
            self._spawn(self._scan())

    async def _scan(self) -> None:
        while self.scanners:
            await asyncio.sleep(self.advertises_every_s)
            for p in list(self.peripherals.values()):
                if not p.advertising or self.connected(p):
                    continue
                if any(not wanted or wanted & set(p.advertised) for wanted in self.scanners.values()):
                    self._advertise(p)

    def _on_StopDiscovery(self, m: Message) -> None:
        self._ready()
        if self.scanners.pop(m.sender or "", None) is None:
            raise failed("No discovery started")
        if not self.scanners:
            self._changed(self.adapter, ADAPTER, {"Discovering": V("b", False)})
            for p in self.peripherals.values():
                if p.path in self.objects:
                    self._changed(p.path, DEVICE, {}, ("RSSI",))

    # devices

    async def _on_Connect(self, m: Message) -> None:
        p, _ = self._find(m.path or "")
        self._ready()
        p.connects += 1
        if p.connecting is not None:
            raise RefusedError("org.bluez.Error.InProgress", "Operation already in progress")
        p.connecting = asyncio.Event()
        try:
            with suppress(TimeoutError):
                async with asyncio.timeout(3600 if p.connect_hangs else p.connect_s):
                    await p.connecting.wait()
                raise failed("le-connection-abort-by-local")
        finally:
            p.connecting = None
        if p.connect_errors:
            raise p.connect_errors.pop(0)
        self._changed(p.path, DEVICE, {"Connected": V("b", True)})
        if not p.never_resolves:
            self._spawn(self._resolve(p))

    async def _resolve(self, p: Peripheral) -> None:
        await asyncio.sleep(p.resolve_s)
        if self.connected(p):
            self._show_services(p)
            self._changed(p.path, DEVICE, {"ServicesResolved": V("b", True)})

    def _on_Disconnect(self, m: Message) -> None:
        p, _ = self._find(m.path or "")
        if p.connecting is not None:
            # As the service's interface has it: this also calls off an attempt that has not been answered yet.
            p.connecting.set()
            return
        if not self.connected(p):
            raise RefusedError("org.bluez.Error.NotConnected", "Not Connected")
        self.drop(p)

    # attributes

    def _attribute(self, m: Message) -> Any:
        p, x = self._find(m.path or "")
        if not self.connected(p):
            raise failed("Not connected")
        if isinstance(x, Characteristic) and x.refuses is not None:
            raise x.refuses
        return x

    def _on_ReadValue(self, m: Message) -> tuple[str, list[bytes]]:
        x = self._attribute(m)
        if isinstance(x, Characteristic):
            if "read" not in x.flags:
                raise RefusedError("org.bluez.Error.NotPermitted", "Read not permitted")
            # As the real service does: who listens hears what another one reads.
            self._changed(x.path, CHARACTERISTIC, {"Value": V("ay", x.value)})
        return "ay", [x.value]

    def _on_WriteValue(self, m: Message) -> None:
        x = self._attribute(m)
        if not {"write", "write-without-response"} & set(x.flags):
            raise RefusedError("org.bluez.Error.NotPermitted", "Write not permitted")
        if x.on_write is not None:
            x.on_write(bytes(m.body[0]))

    def _on_StartNotify(self, m: Message) -> None:
        c = self._attribute(m)
        if not {"notify", "indicate"} & set(c.flags):
            raise RefusedError("org.bluez.Error.NotSupported", "Operation is not supported")
        c.listeners.add(m.sender)
        self._changed(c.path, CHARACTERISTIC, {"Notifying": V("b", True)})

    def _on_StopNotify(self, m: Message) -> None:
        c = self._attribute(m)
        if m.sender not in c.listeners:
            raise failed("No notify session started")
        self._deaf(c, m.sender or "")

    def _on_AcquireNotify(self, m: Message) -> Message:
        c = self._attribute(m)
        if not self.hands_over_sockets or not {"notify", "indicate"} & set(c.flags):
            raise RefusedError("org.bluez.Error.NotSupported", "Operation is not supported")
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        # Its other end goes with the answer, whose copy is the caller's.
        c.sockets[m.sender or ""] = ours
        c.listeners.add(m.sender or "")
        self._changed(c.path, CHARACTERISTIC, {"NotifyAcquired": V("b", True)})
        self._spawn(self._watch_socket(c, m.sender or "", ours))
        answer = Message.new_method_return(m, "hq", [0, 247], [theirs.fileno()])
        self._handed.append(theirs)
        return answer

    async def _watch_socket(self, c: Characteristic, sender: str, one: socket.socket) -> None:
        """Who closes its end listens no more."""
        one.setblocking(False)
        with suppress(OSError):
            while c.sockets.get(sender) is one and await asyncio.get_running_loop().sock_recv(one, 1):
                pass
        if c.sockets.get(sender) is one:
            self._deaf(c, sender)
