"""Registers of a device, one poll or many: words to values."""
