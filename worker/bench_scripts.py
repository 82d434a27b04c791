"""Transactions on benches, as Lua: for :mod:`worker.bench_store`, and for fits that end; see :mod:`worker.scripts`."""

from __future__ import annotations

from worker.scripts import COMMON

#: What scripts need that write a revision.
BENCH = (
    COMMON
    + r"""
local function bench(id) return P .. 'bench:' .. id end
local function add_revision(id, revision, description)
  redis.call('HSET', bench(id), 'latest', revision, 'revision:' .. revision, description,
    'revised_at:' .. revision, stamp(now()))
end
"""
)

#: ARGV id, idempotency digest or '', body digest, seconds to remember it, description. Returns {outcome, id}.
CREATE = (
    BENCH
    + r"""
local id = ARGV[1]
local said = said_before(ARGV[2], ARGV[3], id, ARGV[4])
if said then return said end
add_revision(id, 1, ARGV[5])
redis.call('ZADD', P .. 'benches', 0, id)
return {'created', id}
"""
)

#: ARGV id, revision that is taken for the latest, description. Returns 'unknown', 'changed' or 'revised'.
REVISE = (
    BENCH
    + r"""
local latest = get(bench(ARGV[1]), 'latest')
if not latest then return 'unknown' end
if latest ~= ARGV[2] then return 'changed' end
add_revision(ARGV[1], tonumber(latest) + 1, ARGV[3])
return 'revised'
"""
)

#: ARGV id, seconds to remember the id. Returns 'unknown' or 'deleted'.
DELETE = (
    BENCH
    + r"""
if redis.call('UNLINK', bench(ARGV[1])) == 0 then return 'unknown' end
redis.call('ZREM', P .. 'benches', ARGV[1])
redis.call('SET', P .. 'tombstone:bench:' .. ARGV[1], 'deleted', 'EX', ARGV[2])
return 'deleted'
"""
)
