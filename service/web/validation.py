"""What the checking of inputs says, as it says it: known here so that it can be said otherwise.

The sentences are those of the library that checks; a placeholder holds what it fills in.
"""

from __future__ import annotations

__all__ = ["CHECKS"]

CHECKS = (
    "Field required",
    "Extra inputs are not permitted",
    "Input should be a finite number",
    "Input should be a valid boolean, unable to interpret input",
    "Input should be a valid integer, unable to parse string as an integer",
    "Input should be a valid integer, got a number with a fractional part",
    "Input should be a valid number, unable to parse string as a number",
    "Input should be a valid number",
    "Input should be a valid integer",
    "Input should be a valid string",
    "Input should be greater than {limit}",
    "Input should be greater than or equal to {limit}",
    "Input should be less than {limit}",
    "Input should be less than or equal to {limit}",
    "Input should be {known}",
    "Input should have timezone info",
    "Input should be a valid datetime, {why}",
    "Input should be a valid datetime or date, {why}",
    "String should have at least {count:d} character",
    "String should have at least {count:d} characters",
    "String should have at most {count:d} character",
    "String should have at most {count:d} characters",
    "String should match pattern '{pattern}'",
)
