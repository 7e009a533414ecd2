"""Design studies for wide-band arrays of air-coupled piezoelectric ultrasonic cells."""

__version__ = "0.1.0"
