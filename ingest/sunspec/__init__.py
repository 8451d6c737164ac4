"""The SunSpec information models: which registers of a device mean what."""
