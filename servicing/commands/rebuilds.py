"""Projections made again from the log, or compared with it, for every operator or one."""

from servicing.projections.folding import catch_up
from servicing.projections.rebuilding import check, rebuild

__all__ = ["catch_up", "check", "rebuild"]
