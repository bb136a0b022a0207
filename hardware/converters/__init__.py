"""Four ways to clock a conversion out of an HX711-type converter, behind one port: see ``port.Converter``."""
