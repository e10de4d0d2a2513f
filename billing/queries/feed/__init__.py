"""Reads of the accounting feed, inside an operator's scope: what changed, and the things as they stand."""
