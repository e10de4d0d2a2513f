"""Projections made again from the log, or compared with it, for every operator or one."""

from servicing.projections.checking import check
from servicing.projections.rebuild_begun import code_hash
from servicing.projections.rebuilding import cancel, rebuild, rebuild_all

__all__ = ["cancel", "check", "code_hash", "rebuild", "rebuild_all"]
