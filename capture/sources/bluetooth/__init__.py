"""Indicators on Bluetooth Low Energy."""

from __future__ import annotations

from capture.sources.bluetooth.source import BluetoothSource

__all__ = ["BluetoothSource"]
