"""Devices and nothing else: pins and bytes become raw samples, raw commands become pin levels."""
