"""Transactions on fits, as Lua. Only :mod:`worker.fit_store` uses them; see :mod:`worker.scripts`."""

from __future__ import annotations

from worker.bench_scripts import BENCH
from worker.scripts import COMMON

#: ARGV job, idempotency digest or '', body digest, seconds to remember it, name, request, bench, ids of the records,
#: their number, the packed case, owner or '', most open jobs of an owner. Returns {outcome, job}.
CREATE = (
    COMMON
    + r"""
local id = ARGV[1]
if not was_said(ARGV[2]) and not may_open(id, ARGV[11], ARGV[12]) then return {'many', ''} end
local said = said_before(ARGV[2], ARGV[3], id, ARGV[4])
if said then return said end
redis.call('HSET', job(id), 'state', 'queued', 'created_at', stamp(now()), 'finished', 0, 'failed', 0, 'name', ARGV[5],
  'request', ARGV[6], 'bench', ARGV[7], 'record_ids', ARGV[8], 'records', ARGV[9], 'model_shots', 0, 'shots', 1,
  'round', 0, 'open', 1, 'islands', 1, 'leased', 0, 'owner', ARGV[11])
add_slot(id, '0/0', 1)
redis.call('HSET', slot(id, '0/0'), 'first', 0, 'tried', 0)
redis.call('HSET', job(id) .. ':shots', 0, ARGV[10])
redis.call('ZADD', all_of(id), 0, id)
redis.call('ZADD', P .. 'queued', get(job(id), 'created_at'), id)
count('fits:created', 1)
tell_row(id, 'status')
return {'created', id}
"""
)

#: ARGV job, slot key, attempt, lease seconds, model runs so far. Returns the job's state, or 'lost'.
BEAT = (
    COMMON
    + r"""
local id, key, seconds = ARGV[1], ARGV[2], tonumber(ARGV[4])
if not holds(id, key, ARGV[3]) then return 'lost' end
local at = now()
redis.call('HSET', slot(id, key), 'lease_until', stamp(at + seconds))
redis.call('HSET', job(id), 'heartbeat_at', stamp(at))
if tonumber(ARGV[5]) > number(job(id), 'model_shots') then redis.call('HSET', job(id), 'model_shots', ARGV[5]) end
due(id, key, at + seconds)
tell_progress(id)
return get(job(id), 'state')
"""
)

#: ARGV job, slot key, attempt, seconds to keep results, seconds to remember the id after that, 'finished', 'failed' or
#: '' for nothing new, packed outcome, bench whose next revision this makes or '', its latest revision, the description.
#: Returns 'lost', 'ended', 'unknown' when there is no such bench, 'changed' when it has another latest revision.
END = (
    BENCH
    + r"""
local id, key, state = ARGV[1], ARGV[2], ARGV[6]
if not holds(id, key, ARGV[3]) then return 'lost' end
if state ~= '' and get(job(id), 'state') ~= 'cancelling' then
  if ARGV[8] ~= '' then
    local latest = get(bench(ARGV[8]), 'latest')
    if not latest then return 'unknown' end
    if latest ~= ARGV[9] then return 'changed' end
  end
  if redis.call('HSETNX', job(id) .. ':rows', 0, ARGV[7]) == 1 then
    redis.call('HINCRBY', job(id), state, 1)
    if ARGV[8] ~= '' then add_revision(ARGV[8], tonumber(ARGV[9]) + 1, ARGV[10]) end
  end
end
redis.call('HSET', job(id), 'heartbeat_at', stamp(now()))
tell_progress(id)
end_slice(id, key, 'filled', ARGV[4], ARGV[5])
return 'ended'
"""
)
