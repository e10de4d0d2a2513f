from django.db import migrations

# The append as one round trip. It runs with the caller's privileges, under the caller's policies. No search_path is set on
# it, since setting one at each call costs; instead every name outside pg_catalog is qualified, because whoever makes
# projections beside the present ones runs with a path of their own.
#
# ``sent`` is an array of objects, keys as the log's columns, in the order of insertion and no event id twice. ``common``
# is what all of them have in common, sent once. What is null is left out. ``office`` is the device whose sequence is
# drawn here for the events that come without one. json and not jsonb: it is read once, and only the payloads are kept.
APPEND_SQL = """
CREATE FUNCTION public.servicing_append(
    of_operator uuid, office uuid, common json, sent json,
    OUT inserted bigint[], OUT drawn_after bigint, OUT stored bigint[], OUT hashes bytea[]
) LANGUAGE plpgsql AS $$
BEGIN
    -- The order of locks: the projections (shared, against a swap), then the operator. Both are kept until commit, and
    -- each statement after them sees what was committed while they were waited for.
    PERFORM pg_advisory_xact_lock_shared(7765319),
        pg_advisory_xact_lock(hashtextextended(of_operator::text, 0));
    IF office IS NOT NULL THEN
        SELECT coalesce(max(e.device_sequence), 0) INTO drawn_after FROM public.servicing_event e
        WHERE e.operator_id = of_operator AND e.device_id = office;
    END IF;

    WITH new AS (
        INSERT INTO public.servicing_event (
            operator_id, event_id, device_id, device_sequence, subject_kind, subject_id, type, schema_version,
            occurred_at, received_at, actor_kind, actor_id, member_id, visit_id, touch_id, corrects, payload,
            content_hash
        )
        SELECT of_operator, s.event_id, s.device_id, coalesce(s.device_sequence, drawn_after + s.ordinality),
            s.subject_kind, s.subject_id, s.type, s.schema_version, s.occurred_at, s.received_at, s.actor_kind,
            s.actor_id, s.member_id, s.visit_id, s.touch_id, s.corrects, s.payload, s.content_hash
        FROM json_populate_recordset(json_populate_record(NULL::public.servicing_event, common), sent)
            WITH ORDINALITY AS s
        ORDER BY s.ordinality
        -- Bare on purpose: naming the key would turn a clash of the device sequence into an error that sinks the batch.
        ON CONFLICT DO NOTHING
        RETURNING position
    )
    SELECT coalesce(array_agg(new.position ORDER BY new.position), '{}') INTO inserted FROM new;

    -- Usually all were inserted, and the positions in their order say which is whose. Else each id is looked up; a
    -- position from the first inserted one on was drawn just now, as nobody else adds to this operator's log meanwhile.
    IF cardinality(inserted) < json_array_length(sent) THEN
        SELECT array_agg(e.position ORDER BY s.ordinality), array_agg(e.content_hash ORDER BY s.ordinality)
        INTO stored, hashes
        FROM json_populate_recordset(NULL::public.servicing_event, sent) WITH ORDINALITY AS s
        -- The limit keeps it one look-up an id, also in a log of which the planner knows nothing yet.
        LEFT JOIN LATERAL (
            SELECT o.position, o.content_hash FROM public.servicing_event o
            WHERE o.operator_id = of_operator AND o.event_id = s.event_id LIMIT 1
        ) e ON true;
    END IF;
END $$;
REVOKE ALL ON FUNCTION public.servicing_append(uuid, uuid, json, json) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION public.servicing_append(uuid, uuid, json, json) TO wickround_app;
"""


class Migration(migrations.Migration):
    dependencies = [("servicing", "0001_initial")]

    operations = [
        migrations.RunSQL(APPEND_SQL, "DROP FUNCTION public.servicing_append(uuid, uuid, json, json)")
    ]
