"""Trays, seed and dates for the orders."""

from germstats.forecast.order_plan import OrderPlan, OrderSpec
from germstats.questions.plan.plan import plan_orders

__all__ = ["OrderPlan", "OrderSpec", "plan_orders"]
