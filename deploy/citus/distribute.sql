-- Distribute the tables of bayhold over a Citus cluster by site_id. Run it on the
-- coordinator as the owner, once, after "server migrate", with the tables empty or
-- not. It was not run where bayhold is developed: see README.md.
\set ON_ERROR_STOP on

SELECT citus_set_coordinator_host('coordinator', 5432);
SELECT citus_add_node('worker-1', 5432);
SELECT citus_add_node('worker-2', 5432);

-- Each table with site_id, what others refer to first; all colocated with site.
BEGIN;
SELECT create_distributed_table('site', 'site_id', shard_count => 32);
DO $$
DECLARE
  t text;
  left_over int;
BEGIN
  LOOP
    -- A table whose parents are all distributed already.
    SELECT c.relname INTO t
    FROM pg_class c
    JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'site_id' AND NOT a.attisdropped
    WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace
      AND NOT EXISTS (SELECT FROM pg_dist_partition d WHERE d.logicalrelid = c.oid)
      AND NOT EXISTS (
        SELECT FROM pg_constraint k
        WHERE k.conrelid = c.oid AND k.contype = 'f' AND k.confrelid <> c.oid
          AND NOT EXISTS (SELECT FROM pg_dist_partition d WHERE d.logicalrelid = k.confrelid))
    ORDER BY c.relname LIMIT 1;
    EXIT WHEN t IS NULL;
    PERFORM create_distributed_table(t::regclass, 'site_id', colocate_with => 'site');
  END LOOP;
  SELECT count(*) INTO left_over
  FROM pg_class c
  JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'site_id' AND NOT a.attisdropped
  WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace
    AND NOT EXISTS (SELECT FROM pg_dist_partition d WHERE d.logicalrelid = c.oid);
  IF left_over > 0 THEN
    RAISE EXCEPTION '% tables could not be distributed: they refer to each other in a ring', left_over;
  END IF;
END
$$;
COMMIT;
