"""Properties of air from CoolProp, which takes seconds to import: only where it is used."""


def of_air(what: str, kelvin: float, pa: float) -> float:
    """``what`` as CoolProp names it: D for density in kg/m3, V for viscosity in Pa s."""
    from CoolProp import CoolProp

    value: float = CoolProp.PropsSI(what, "T", kelvin, "P", pa, "Air")
    return value
