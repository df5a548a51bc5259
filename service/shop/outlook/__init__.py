"""The probabilistic course of a place's air over the next 48 h, from its own history.

``fit`` a model to an :class:`AirHistory`; ask it for ``forecast`` quantiles and ``sample_paths``;
``hindcast`` bridges holes; ``likely_windows`` finds stretches in which a check will allow
something. Pure functions of numpy arrays, every day's coefficients learned from what was known
then. Imports ``science``; may be imported by every room above ``shop``.
"""

from service.shop.outlook.bridge import Hindcast, hindcast
from service.shop.outlook.forecast import PROBABILITIES, OutlookModel, Quantiles, fit
from service.shop.outlook.history import AirHistory
from service.shop.outlook.paths import Paths
from service.shop.outlook.told import Told
from service.shop.outlook.windows import Window, likely_windows

__all__ = [
    "PROBABILITIES",
    "AirHistory",
    "Hindcast",
    "OutlookModel",
    "Paths",
    "Quantiles",
    "Told",
    "Window",
    "fit",
    "hindcast",
    "likely_windows",
]
