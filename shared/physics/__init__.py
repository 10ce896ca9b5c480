"""Physics: pure functions on plain arrays, SI in and out; two models are two functions.

Each function takes floats or arrays (anything numpy broadcasts) and gives float64 back: an array
for arrays, a numpy float for floats. A missing value (NaN) stays missing, and what lies outside a
relation's range of validity becomes NaN instead of a number that looks right.

constants    the numbers the relations share
atmosphere   standard atmosphere, pressure and density altitude, altimeter setting
airspeed     impact pressure, calibrated, equivalent and true airspeed, ram rise
energy       energy height, energy-corrected climb and sink, correction to standard conditions
wind         true airspeed and wind from velocities over the ground
turn         steady turns and load factor
mass         mass, centre of gravity, fuel burnt
polar        the parabolic drag polar
oscillation  damping and the phugoid
"""
