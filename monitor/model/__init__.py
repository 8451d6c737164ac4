"""What a roof should have made: sun, sky, plane, cell, power, and the ladder of irradiance sources."""
