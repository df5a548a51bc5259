"""The plan: every piece's next acts in an order that breaks no wait, and why each stands where.

``model`` holds what is planned and the grid it is planned on; ``rule`` is the simple way,
``solver`` the thorough one (an optional library), ``again`` holds on to what was planned before,
``check`` finds what a plan would break, whoever made it, and ``reasons`` says what holds each act
where it is. Imports nothing of the shop.
"""

from __future__ import annotations

from service.shop.plan.again import better_of, order_of
from service.shop.plan.check import cost, violations
from service.shop.plan.model import Act, Chain, Hours, Placed, Plan, Rules, Stretch
from service.shop.plan.reasons import reason
from service.shop.plan.rule import by_rule
from service.shop.plan.solver import by_solver, solver_there

__all__ = [
    "Act",
    "Chain",
    "Hours",
    "Placed",
    "Plan",
    "Rules",
    "Stretch",
    "better_of",
    "by_rule",
    "by_solver",
    "cost",
    "order_of",
    "reason",
    "solver_there",
    "violations",
]
