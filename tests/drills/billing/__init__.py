"""Billing's drills, one module each; ``ONLY=billing.invariants`` runs one of them. Those in ``PURE`` need no server."""

MODULES = ("invariants",)
PURE = ("invariants",)
