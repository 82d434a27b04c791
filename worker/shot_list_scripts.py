"""Transactions on lists of shots, as Lua. Only :mod:`worker.shot_list_store` uses them; see :mod:`worker.scripts`."""

from __future__ import annotations

from worker.scripts import COMMON

_LIST = (
    COMMON
    + r"""
-- A shot counts when its number is new; a repeated one changes nothing. Rows are ARGV `first` to the last one: number,
-- 'finished' or 'failed', packed outcome.
local function add_shots(id, first)
  for i = first, #ARGV, 3 do
    if redis.call('HSETNX', job(id) .. ':rows', ARGV[i], ARGV[i + 2]) == 1 then
      redis.call('HINCRBY', job(id), ARGV[i + 1], 1)
      count('list-shots:' .. ARGV[i + 1], 1)
    end
  end
end
"""
)

#: ARGV job, idempotency digest or '', body digest, seconds to remember it, name, what is varied, benches,
#: shots of a slice, shots of the list, owner or '', most open jobs of an owner, then the packed shots of each slice.
#: Returns {outcome, job}.
CREATE = (
    _LIST
    + r"""
local id, each, shots, first = ARGV[1], tonumber(ARGV[8]), tonumber(ARGV[9]), 12
if not was_said(ARGV[2]) and not may_open(id, ARGV[10], ARGV[11]) then return {'many', ''} end
local said = said_before(ARGV[2], ARGV[3], id, ARGV[4])
if said then return said end
local slices = #ARGV - first + 1
redis.call('HSET', job(id), 'state', 'queued', 'created_at', stamp(now()), 'finished', 0, 'failed', 0, 'name', ARGV[5],
  'vary', ARGV[6], 'benches', ARGV[7], 'each', each, 'shots', shots, 'round', 0, 'open', slices,
  'islands', slices, 'leased', 0, 'owner', ARGV[10])
for slice = 0, slices - 1 do
  local key = '0/' .. slice
  add_slot(id, key, math.min(each, shots - slice * each))
  redis.call('HSET', slot(id, key), 'first', slice * each, 'tried', 0)
  redis.call('HSET', job(id) .. ':shots', slice, ARGV[first + slice])
end
redis.call('ZADD', all_of(id), 0, id)
redis.call('ZADD', P .. 'queued', get(job(id), 'created_at'), id)
count('shot-lists:created', 1)
tell_row(id, 'status')
return {'created', id}
"""
)

#: ARGV job, slot key, attempt, lease seconds, number of the shot that is begun or '', then outcomes. Returns
#: {the job's state or 'lost', how often that shot has been begun}.
STEP = (
    _LIST
    + r"""
local id, key, attempt, seconds, begun = ARGV[1], ARGV[2], ARGV[3], tonumber(ARGV[4]), ARGV[5]
if not holds(id, key, attempt) then return {'lost', 0} end
local at, name = now(), slot(id, key)
redis.call('HSET', name, 'lease_until', stamp(at + seconds))
redis.call('HSET', job(id), 'heartbeat_at', stamp(at))
due(id, key, at + seconds)
add_shots(id, 6)
tell_progress(id)
if begun ~= '' and get(name, 'at') ~= begun then redis.call('HSET', name, 'at', begun, 'tried', 1) end
return {get(job(id), 'state'), number(name, 'tried')}
"""
)

#: ARGV job, slot key, attempt, seconds to keep results, seconds to remember the id after that, then outcomes.
END = (
    _LIST
    + r"""
local id, key = ARGV[1], ARGV[2]
if not holds(id, key, ARGV[3]) then return end
add_shots(id, 6)
redis.call('HSET', job(id), 'heartbeat_at', stamp(now()))
tell_progress(id)
end_slice(id, key, 'filled', ARGV[4], ARGV[5])
"""
)
