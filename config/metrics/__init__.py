"""Figures for a monitoring system, in Prometheus' text format: what this process counts, and what the database says.

``counting`` counts requests and tasks as they come; ``state`` turns what ``config.service`` finds into gauges; ``page``
is the address they are read at, and ``exporter`` the same for a worker, which has no address of its own.
"""
