"""Projections made again from the log, or compared with it, for every operator or one."""

from servicing.projections.checking import check
from servicing.projections.rebuilding import code_hash, rebuild, rebuild_all

__all__ = ["check", "code_hash", "rebuild", "rebuild_all"]
