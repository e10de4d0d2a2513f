"""The lookout's rows by the best single statement we know, for a superuser whom no policy holds.

Parameters: operator, today, the operator's one zone, and the most rows.
"""

BEST = """
WITH unit AS (
    SELECT o.site_id, o.dry_on, o.dry_soon_from, o.drift_since_on, o.wick_watch_from, s.due_on, s.opens_on, s.past_grace_from,
        s.long_past_from, f.leaks, least(CASE WHEN o.dry_on <= %(today)s THEN o.dry_on END, f.down_on) AS out_since
    FROM servicing_outlook o
    LEFT JOIN servicing_duesegment s ON s.operator_id = o.operator_id AND s.unit_id = o.unit_id AND s.starts_on <= %(today)s
        AND (s.ends_before IS NULL OR %(today)s < s.ends_before)
    LEFT JOIN (
        SELECT u.unit_id, (u.history -> 'open_faults') ? 'ELU' AS leaks,
            (SELECT min((value #>> '{}')::timestamptz AT TIME ZONE %(zone)s)::date
             FROM jsonb_each(u.history -> 'open_faults') WHERE key IN ('PLU', 'NOO', 'MIS')) AS down_on
        FROM servicing_unitstate u
        WHERE u.operator_id = %(operator)s AND u.status IN ('down', 'degraded')
    ) f ON f.unit_id = o.unit_id
    WHERE o.operator_id = %(operator)s
), harm AS (
    SELECT site_id, count(*) FILTER (WHERE leaks) AS leaks,
        count(out_since) FILTER (WHERE opens_on IS NOT NULL) AS "out",
        coalesce(sum(%(today)s - out_since + 1) FILTER (WHERE opens_on IS NOT NULL), 0) AS out_unit_days,
        min(out_since) FILTER (WHERE opens_on IS NOT NULL) AS out_since,
        count(*) FILTER (WHERE opens_on IS NOT NULL AND dry_soon_from <= %(today)s AND out_since IS NULL) AS soon,
        min(dry_on) FILTER (WHERE opens_on IS NOT NULL AND dry_soon_from <= %(today)s AND out_since IS NULL) AS soon_on,
        count(*) FILTER (WHERE opens_on IS NOT NULL AND drift_since_on <= %(today)s AND out_since IS NULL) AS off,
        count(*) FILTER (WHERE long_past_from <= %(today)s) AS long_past,
        count(*) FILTER (WHERE past_grace_from <= %(today)s AND %(today)s < long_past_from) AS past_grace,
        count(*) FILTER (WHERE opens_on <= %(today)s AND %(today)s < past_grace_from) AS in_grace,
        count(*) FILTER (WHERE opens_on IS NOT NULL AND wick_watch_from <= %(today)s) AS watched,
        count(opens_on) AS open, min(due_on) AS due_on
    FROM unit GROUP BY site_id
), report AS (
    SELECT site_id, count(*) FILTER (WHERE kind IN ('leak', 'chemical')) AS safety,
        count(*) FILTER (WHERE kind NOT IN ('leak', 'chemical')) AS other
    FROM servicing_report WHERE operator_id = %(operator)s AND site_id IS NOT NULL GROUP BY site_id
), refused AS (
    SELECT v.site_id, max(v.day) AS day FROM servicing_visit v
    WHERE v.operator_id = %(operator)s AND v.outcome = 'not_admitted' AND NOT EXISTS (
        SELECT FROM servicing_visit l WHERE l.operator_id = v.operator_id AND l.site_id = v.site_id AND l.day >= v.day
            AND l.occurred_at > v.occurred_at AND l.outcome IN ('served', 'part_served'))
    GROUP BY v.site_id
), worst AS (
    SELECT site.id, site.code, site.name, site.area, site.crew_id, h.*, r.safety, r.other, refused.day AS not_admitted_on
    FROM accounts_site site
    LEFT JOIN harm h ON h.site_id = site.id
    LEFT JOIN report r ON r.site_id = site.id
    LEFT JOIN refused ON refused.site_id = site.id
    WHERE site.operator_id = %(operator)s AND (h.leaks > 0 OR h."out" > 0 OR h.soon > 0 OR h.off > 0 OR h.long_past > 0
        OR h.past_grace > 0 OR h.in_grace > 0 OR r.site_id IS NOT NULL OR refused.site_id IS NOT NULL)
    ORDER BY coalesce(r.safety, 0) + coalesce(h.leaks, 0) DESC, coalesce(h.out_unit_days, 0) DESC, coalesce(h.soon, 0) DESC,
        coalesce(h.off, 0) DESC, coalesce(h.long_past, 0) DESC, coalesce(h.past_grace, 0) DESC, coalesce(r.other, 0) DESC,
        refused.site_id IS NOT NULL DESC, coalesce(h.in_grace, 0) DESC, coalesce(h.watched, 0) DESC, site.code
    LIMIT %(most)s
)
SELECT w.code, w.name, w.area, w.out_unit_days, w.leaks, w."out", w.out_since, w.soon, w.soon_on, w.off, w.long_past,
    w.past_grace, w.in_grace, w.watched, w.open, w.due_on, w.safety, w.other, w.not_admitted_on, crew.name,
    plan.id, plan.day, plan.begins_at, planned_crew.name, note.text, note.notes, unnoted.alerts
FROM worst w
LEFT JOIN accounts_crew crew ON crew.operator_id = %(operator)s AND crew.id = w.crew_id
LEFT JOIN LATERAL (
    SELECT p.id, p.day, p.begins_at, p.crew_id FROM servicing_plannedvisit p
    WHERE p.operator_id = %(operator)s AND p.site_id = w.id AND p.day >= %(today)s AND p.called_off_at IS NULL
    ORDER BY p.day LIMIT 1) plan ON true
LEFT JOIN accounts_crew planned_crew ON planned_crew.operator_id = %(operator)s AND planned_crew.id = plan.crew_id
LEFT JOIN LATERAL (
    SELECT max(n.text) AS text, count(*) AS notes FROM servicing_sitenote n
    WHERE n.operator_id = %(operator)s AND n.site_id = w.id AND n.struck_at IS NULL) note ON true
LEFT JOIN LATERAL (
    SELECT count(*) AS alerts FROM servicing_alert a
    WHERE a.operator_id = %(operator)s AND a.site_id = w.id AND a.closed_at IS NULL AND a.acknowledged_at IS NULL) unnoted ON true
ORDER BY coalesce(w.safety, 0) + coalesce(w.leaks, 0) DESC, coalesce(w.out_unit_days, 0) DESC, coalesce(w.soon, 0) DESC,
    coalesce(w.off, 0) DESC, coalesce(w.long_past, 0) DESC, coalesce(w.past_grace, 0) DESC, coalesce(w.other, 0) DESC,
    w.not_admitted_on IS NOT NULL DESC, coalesce(w.in_grace, 0) DESC, coalesce(w.watched, 0) DESC, w.code
"""
