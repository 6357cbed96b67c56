"""The handbook's psychrometrics, set to SI once: psychrolib compiles itself anew at each choice of units."""

import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)

__all__ = ["psychrolib"]
