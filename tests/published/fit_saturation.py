"""Makes the table of saturation fits in ``handsfree/judge/curves.py`` from CoolProp, and says how far off each is.

Run: ``python tests/published/fit_saturation.py`` (needs the extra ``test``). Least squares weighted afresh by their own
residuals (Lawson) come to the smallest greatest error.
"""

from __future__ import annotations

import numpy as np
from CoolProp.CoolProp import PropsSI
from numpy.polynomial import polynomial

DEGREE = 5
LOWEST = -50.0
HIGHEST = {"R744": 25.0}  # its critical point is at 31 degC
OTHERWISE = 60.0
GASES = ("R32", "R134a", "R290", "R404A", "R407C", "R410A", "R507A", "R600a", "R744", "R1234yf")


def fit(gas: str, quality: int) -> tuple[list[float], float]:
    """Coefficients to seven figures, and the greatest error of the pressure in percent."""
    celsius = np.linspace(LOWEST, HIGHEST.get(gas, OTHERWISE), 441)
    x = 273.15 / (celsius + 273.15) - 1
    log = np.log([PropsSI("P", "T", t + 273.15, "Q", quality, gas) / 1000 for t in celsius])
    weights = np.ones_like(x)
    for _ in range(200):
        found = polynomial.polyfit(x, log, DEGREE, w=np.sqrt(weights))
        weights *= np.abs(polynomial.polyval(x, found) - log)
        weights /= weights.sum()
    rounded = [float(f"{c:.7g}") for c in found]
    return rounded, float(np.abs(np.expm1(polynomial.polyval(x, rounded) - log)).max() * 100)


if __name__ == "__main__":
    for gas in GASES:
        (bubble, bubble_error), (dew, dew_error) = fit(gas, 0), fit(gas, 1)
        blend = "" if np.allclose(bubble, dew, rtol=1e-4) else f", bubble={tuple(bubble)}"
        print(f'    "{gas}": _Fit({LOWEST}, {HIGHEST.get(gas, OTHERWISE)}, dew={tuple(dew)}{blend}),')
        print(f"    # off by at most {max(bubble_error, dew_error):.4f} percent")
