"""The store's transactions, as Lua that the server runs in one go. Only :mod:`worker.store` uses them.

Keys are put together inside the scripts, so a single server (or a primary with replicas) is needed, not a cluster.
The clock is the server's, so that workers with wrong clocks cannot disagree about a lease.
"""

from __future__ import annotations

#: Start of every key; `_COMMON` carries it too.
PREFIX = "shotwright:"

_COMMON = r"""
local P = 'shotwright:'
local function now() local t = redis.call('TIME'); return tonumber(t[1]) + tonumber(t[2]) / 1e6 end
local function stamp(seconds) return string.format('%.6f', seconds) end
local function design(id) return P .. 'design:' .. id end
local function slot(id, key) return design(id) .. ':slot:' .. key end
local function get(key, field) return redis.call('HGET', key, field) end
local function number(key, field) return tonumber(redis.call('HGET', key, field) or '0') end
local function due(id, key, at) redis.call('ZADD', P .. 'due', stamp(at), id .. '/' .. key) end
local function not_due(id, key) redis.call('ZREM', P .. 'due', id .. '/' .. key) end
local function is_closing(key) return string.sub(key, -7) == 'closing' end
local function is_terminal(state) return state == 'succeeded' or state == 'failed' or state == 'cancelled' end

-- Whoever adds a slot also sends its message, or runs it, at once; it is looked after when that did not happen.
local function add_slot(id, key, trials)
  redis.call('HSET', slot(id, key), 'state', 'waiting', 'attempts', 0, 'sent', 0, 'passes', 0, 'trials', trials,
    'recorded', 0)
  due(id, key, now() + 1)
end

-- A message that may wait behind others is looked after again after twice the time, each time: 1, 1, 2, 4, ...
local function patience(passes) return 2 ^ math.max(0, math.min(passes - 1, 10)) end

local function forget_slots(id)
  local round = get(design(id), 'round')
  for island = 0, number(design(id), 'islands') - 1 do
    redis.call('DEL', slot(id, round .. '/' .. island))
    not_due(id, round .. '/' .. island)
  end
  redis.call('DEL', slot(id, round .. '/closing'))
  not_due(id, round .. '/closing')
end

local function add_round(id, round, first)
  redis.call('HSET', design(id), 'round', round, 'open', #ARGV - first + 1, 'islands', #ARGV - first + 1, 'leased', 0)
  redis.call('HDEL', design(id), 'round_began_at')
  for i = first, #ARGV do add_slot(id, round .. '/' .. (i - first), ARGV[i]) end
end

-- One island is over, whatever its end. The last one of the round opens the closing. Returns 1 then, else 0.
local function end_island(id, key, state)
  if get(slot(id, key), 'state') == 'leased' then redis.call('HINCRBY', design(id), 'leased', -1) end
  redis.call('HSET', slot(id, key), 'state', state)
  not_due(id, key)
  if redis.call('HINCRBY', design(id), 'open', -1) > 0 then return 0 end
  add_slot(id, get(design(id), 'round') .. '/closing', 0)
  return 1
end

local MOST_GIVEN_UP = 20

-- What the last attempt was at is JSON already; it is put into the entry as it is.
local function fail_island(id, key)
  local name, list = slot(id, key), design(id) .. ':given_up'
  local lost = number(name, 'trials') - number(name, 'recorded')
  redis.call('HINCRBY', design(id), 'lost', lost)
  redis.call('HINCRBY', design(id), 'islands_lost', 1)
  if redis.call('LLEN', list) < MOST_GIVEN_UP then
    local round, island = string.match(key, '^(%d+)/(%d+)$')
    redis.call('RPUSH', list, string.format(
      '{"round_number":%s,"island_number":%s,"attempts_count":%d,"lost_trials_count":%d,"under_way":%s}',
      round, island, number(name, 'attempts'), lost, get(name, 'under_way') or 'null'))
  end
  return end_island(id, key, 'failed')
end

local PARTS = {'', ':rows', ':order', ':feasible', ':energy', ':misses', ':nearest', ':sample', ':given_up'}

local function finish(id, state, keep, remember)
  local at = now()
  redis.call('HSET', design(id), 'state', state, 'finished_at', stamp(at), 'expires_at', stamp(at + keep))
  redis.call('ZREM', P .. 'queued', id)
  local owner = get(design(id), 'owner')
  if owner then redis.call('SREM', P .. 'open:' .. owner, id) end
  forget_slots(id)
  for _, part in ipairs(PARTS) do redis.call('EXPIRE', design(id) .. part, math.ceil(keep)) end
  redis.call('SET', P .. 'tombstone:' .. id, 'expired', 'EX', math.ceil(keep + remember))
end

local function holds(id, key, attempt)
  return get(slot(id, key), 'state') == 'leased' and get(slot(id, key), 'attempts') == attempt
end

-- Only a few of the least energies are kept in order. `energy_from` is the least that was ever left out: the kept ones
-- are all below it, so the first of them is the least of all. Of the misses the nearest few are kept.
local MOST_KEPT, MOST_NEAREST = 100, 8

local function trim_energies(id, key)
  local extra = redis.call('ZCARD', key) - MOST_KEPT
  if extra <= 0 then return end
  local left_out = redis.call('ZPOPMAX', key, extra)
  redis.call('HSET', design(id), 'energy_from', left_out[#left_out])
end

-- A row starts at a place in ARGV: number, reason or '' when feasible, its energy or else its violation, packed
-- candidate. Returns how many of the rows are feasible.
local function index_rows(id, places)
  local energy, nearest = design(id) .. ':energy', design(id) .. ':nearest'
  local limit = tonumber(get(design(id), 'energy_from') or math.huge)
  local feasible, misses = 0, {}
  for _, i in ipairs(places) do
    local trial, reason, measure = ARGV[i], ARGV[i + 1], ARGV[i + 2]
    if reason == '' then
      feasible = feasible + 1
      redis.call('SETBIT', design(id) .. ':feasible', trial, 1)
      if tonumber(measure) < limit then redis.call('ZADD', energy, measure, trial) end
    else
      misses[reason] = (misses[reason] or 0) + 1
      redis.call('ZADD', nearest, measure, trial)
    end
  end
  trim_energies(id, energy)
  redis.call('ZREMRANGEBYRANK', nearest, MOST_NEAREST, -1)
  for reason, count in pairs(misses) do redis.call('HINCRBY', design(id) .. ':misses', reason, count) end
  return feasible
end

-- A trial counts when its number is new; a repeated one changes nothing. Rows are ARGV `first` to `last`.
local function add_rows(id, key, first, last)
  local places = {}
  for i = first, last, 4 do
    if redis.call('HSETNX', design(id) .. ':rows', ARGV[i], ARGV[i + 3]) == 1 then
      table.insert(places, i)
      redis.call('RPUSH', design(id) .. ':order', ARGV[i])
    end
  end
  if #places == 0 then return end
  redis.call('HINCRBY', design(id), 'feasible', index_rows(id, places))
  redis.call('HINCRBY', design(id), 'finished', #places)
  redis.call('HINCRBY', slot(id, key), 'recorded', #places)
end

-- Rows take the place of those with the same number; each is followed by the reason of the old one.
local function replace_rows(id, first, last)
  local places, feasible = {}, 0
  for i = first, last, 5 do
    local trial, old = ARGV[i], ARGV[i + 4]
    if redis.call('HEXISTS', design(id) .. ':rows', trial) == 1 then
      table.insert(places, i)
      redis.call('HSET', design(id) .. ':rows', trial, ARGV[i + 3])
      if old == '' then
        feasible = feasible - 1
        redis.call('ZREM', design(id) .. ':energy', trial)
        redis.call('SETBIT', design(id) .. ':feasible', trial, 0)
      else
        redis.call('ZREM', design(id) .. ':nearest', trial)
        redis.call('HINCRBY', design(id) .. ':misses', old, -1)
      end
    end
  end
  if #places == 0 then return end
  redis.call('HINCRBY', design(id), 'feasible', feasible + index_rows(id, places))
end

-- Fields of the design's row, as pairs from ARGV `first` to `last`; an empty value leaves the field out.
local function set_fields(id, first, last)
  for i = first, last, 2 do
    if ARGV[i + 1] ~= '' then redis.call('HSET', design(id), ARGV[i], ARGV[i + 1]) end
  end
end

-- The design's own time to end by: a given one, or from a duration when it starts.
local function too_late(deadline) return deadline ~= '' and tonumber(deadline) <= now() end

-- Counts a design among the open ones of its owner; false when there are too many. A design without owner always may.
local function may_open(id, owner, most)
  if not owner or owner == '' then return true end
  if redis.call('SCARD', P .. 'open:' .. owner) >= tonumber(most) then return false end
  redis.call('SADD', P .. 'open:' .. owner, id)
  return true
end

-- An idempotency record: returns what was said before, or nothing after noting this call.
local function said_before(digest, body, id, remember)
  if digest == '' then return nil end
  local record = P .. 'idempotency:' .. digest
  local old = redis.call('HMGET', record, 'body', 'design')
  if old[1] then return {old[1] == body and 'same' or 'conflict', old[2]} end
  redis.call('HSET', record, 'body', body, 'design', id)
  redis.call('EXPIRE', record, remember)
  return nil
end
"""

#: ARGV id, idempotency digest or '', body digest, seconds to remember it, deadline or '', duration or '', request,
#: plan, owner or '', most open designs of an owner, then trials of each island. Returns {outcome, id}.
CREATE = (
    _COMMON
    + r"""
local id, deadline = ARGV[1], ARGV[5]
local before = ARGV[2] ~= '' and redis.call('EXISTS', P .. 'idempotency:' .. ARGV[2]) == 1
if not before and too_late(deadline) then return {'late', ''} end
if not before and not may_open(id, ARGV[9], ARGV[10]) then return {'many', ''} end
local said = said_before(ARGV[2], ARGV[3], id, ARGV[4])
if said then return said end
if ARGV[9] ~= '' then redis.call('HSET', design(id), 'owner', ARGV[9]) end
redis.call('HSET', design(id), 'state', 'queued', 'created_at', stamp(now()), 'finished', 0, 'feasible', 0, 'lost', 0,
  'front', '[]', 'deadline', deadline, 'duration', ARGV[6], 'request', ARGV[7], 'plan', ARGV[8])
redis.call('ZADD', P .. 'designs', 0, id)
redis.call('ZADD', P .. 'queued', get(design(id), 'created_at'), id)
add_round(id, 0, 11)
return {'created', id}
"""
)

#: ARGV id, idempotency digest or '', body digest, seconds to remember it, deadline or '', duration or '', the plan as
#: it was, the plan as it shall be, all continuations, pace, number of the next round, most open designs of an owner,
#: then trials of each of its islands, none when the budget is no larger. Returns {outcome, id}.
CONTINUE = (
    _COMMON
    + r"""
local id, deadline = ARGV[1], ARGV[5]
if ARGV[2] ~= '' and redis.call('EXISTS', P .. 'idempotency:' .. ARGV[2]) == 1 then
  return said_before(ARGV[2], ARGV[3], id, ARGV[4])
end
local state = get(design(id), 'state')
if not state then return {'unknown', id} end
if state ~= 'succeeded' then return {is_terminal(state) and 'ended' or 'active', id} end
if get(design(id), 'plan') ~= ARGV[7] then return {'changed', id} end
if #ARGV < 13 then return {'little', id} end
if too_late(deadline) then return {'late', id} end
if not may_open(id, get(design(id), 'owner'), ARGV[12]) then return {'many', id} end
said_before(ARGV[2], ARGV[3], id, ARGV[4])
for _, part in ipairs(PARTS) do redis.call('PERSIST', design(id) .. part) end
redis.call('DEL', P .. 'tombstone:' .. id)
redis.call('HDEL', design(id), 'recommended', 'limiting', 'ended_because', 'ending', 'finished_at', 'expires_at')
redis.call('HSET', design(id), 'state', 'queued', 'deadline', deadline, 'duration', ARGV[6], 'plan', ARGV[8],
  'continuations', ARGV[9], 'pace', ARGV[10], 'queued_at', stamp(now()))
redis.call('ZADD', P .. 'queued', stamp(now()), id)
add_round(id, ARGV[11], 13)
return {'continued', id}
"""
)

#: ARGV id, the first rows as text. Returns the text that the design's rows are packed with: the first one offered.
SAMPLE = (
    _COMMON
    + r"""
local id = ARGV[1]
local state = get(design(id), 'state')
if state and not is_terminal(state) then redis.call('SETNX', design(id) .. ':sample', ARGV[2]) end
return redis.call('GET', design(id) .. ':sample')
"""
)

#: ARGV id, slot key, attempt, what is under way as JSON.
NOTE = (
    _COMMON
    + r"""
if holds(ARGV[1], ARGV[2], ARGV[3]) then redis.call('HSET', slot(ARGV[1], ARGV[2]), 'under_way', ARGV[4]) end
"""
)

#: ARGV id, slot key, seconds until the message is looked after again.
SENT = (
    _COMMON
    + r"""
local id, key = ARGV[1], ARGV[2]
if get(slot(id, key), 'state') ~= 'waiting' then return end
redis.call('HSET', slot(id, key), 'sent', 1)
due(id, key, now() + tonumber(ARGV[3]) * patience(number(slot(id, key), 'passes')))
"""
)

#: ARGV id, slot key, lease seconds, attempts limit. Returns the attempt, or 0 when there is nothing to do.
LEASE = (
    _COMMON
    + r"""
local id, key, seconds, limit = ARGV[1], ARGV[2], tonumber(ARGV[3]), tonumber(ARGV[4])
local state, at, name = get(design(id), 'state'), now(), slot(id, key)
if not state or is_terminal(state) then return 0 end
local held = get(name, 'state')
local expired = held == 'leased' and number(name, 'lease_until') < at
if not (held == 'waiting' or expired) or number(name, 'attempts') >= limit then return 0 end
if state == 'cancelling' and not is_closing(key) then return 0 end
if held == 'waiting' then redis.call('HINCRBY', design(id), 'leased', 1) end
local attempt = redis.call('HINCRBY', name, 'attempts', 1)
redis.call('HSET', name, 'state', 'leased', 'lease_until', stamp(at + seconds))
due(id, key, at + seconds)
redis.call('HSET', design(id), 'heartbeat_at', stamp(at))
redis.call('HSETNX', design(id), 'round_began_at', stamp(at))
if state == 'queued' then
  redis.call('HSET', design(id), 'state', 'running')
  redis.call('HSETNX', design(id), 'started_at', stamp(at))
  redis.call('ZREM', P .. 'queued', id)
  local duration = get(design(id), 'duration')
  if duration and duration ~= '' then
    redis.call('HSET', design(id), 'deadline', stamp(at + tonumber(duration)), 'duration', '')
  end
end
return attempt
"""
)

#: ARGV id, slot key, attempt, lease seconds, then new rows. Returns the design's state, or 'lost'.
RECORD = (
    _COMMON
    + r"""
local id, key, attempt, seconds = ARGV[1], ARGV[2], ARGV[3], tonumber(ARGV[4])
if not holds(id, key, attempt) then return 'lost' end
local at = now()
redis.call('HSET', slot(id, key), 'lease_until', stamp(at + seconds))
redis.call('HSET', design(id), 'heartbeat_at', stamp(at))
due(id, key, at + seconds)
add_rows(id, key, 5, #ARGV)
return get(design(id), 'state')
"""
)

#: ARGV id, slot key, attempt, count of new rows, new rows, then settled rows that replace earlier ones.
#: Returns 'lost', 'filled', or 'full' when this was the round's last island.
FILL = (
    _COMMON
    + r"""
local id, key, attempt, fresh = ARGV[1], ARGV[2], ARGV[3], tonumber(ARGV[4])
if not holds(id, key, attempt) then return 'lost' end
add_rows(id, key, 5, 4 + 4 * fresh)
replace_rows(id, 5 + 4 * fresh, #ARGV)
redis.call('HSET', design(id), 'heartbeat_at', stamp(now()))
return end_island(id, key, 'filled') == 1 and 'full' or 'filled'
"""
)

#: ARGV id, slot key, attempt, final state or '', seconds to keep results, seconds to remember the id after that, count
#: of fields, count of revised rows, fields and values, revised rows, then trials of each island of the next round (0
#: when it only confirms).
#: Returns 'lost', 'next' or the end state.
CLOSE = (
    _COMMON
    + r"""
local id, key, attempt, final = ARGV[1], ARGV[2], ARGV[3], ARGV[4]
local rows = 9 + 2 * tonumber(ARGV[7])
local islands = rows + 5 * tonumber(ARGV[8])
if not holds(id, key, attempt) then return 'lost' end
set_fields(id, 9, rows - 1)
replace_rows(id, rows, islands - 1)
redis.call('HSET', design(id), 'heartbeat_at', stamp(now()))
if get(design(id), 'state') == 'cancelling' then final = 'cancelled' end
if final ~= '' then
  finish(id, final, tonumber(ARGV[5]), tonumber(ARGV[6]))
  return final
end
forget_slots(id)
add_round(id, number(design(id), 'round') + 1, islands)
redis.call('HSET', design(id), 'round_began_at', stamp(now()))
return 'next'
"""
)

#: ARGV id. Returns {state, 1 when the closing waits to be run}.
CANCEL = (
    _COMMON
    + r"""
local id = ARGV[1]
local state = get(design(id), 'state')
if not state or is_terminal(state) then return {state or '', 0} end
local round = get(design(id), 'round')
if state ~= 'cancelling' then
  redis.call('HSET', design(id), 'state', 'cancelling')
  redis.call('ZREM', P .. 'queued', id)
  for island = 0, number(design(id), 'islands') - 1 do
    local key = round .. '/' .. island
    if get(slot(id, key), 'state') == 'waiting' then end_island(id, key, 'skipped') end
  end
end
return {'cancelling', get(slot(id, round .. '/closing'), 'state') == 'waiting' and 1 or 0}
"""
)

#: ARGV who sweeps, seconds that nobody else shall, attempts limit, seconds until looked after again, the message
#: queue's key, seconds to keep results, seconds to remember the id after that.
#: Returns triples: design id, slot key, design state, of the slots to be run. Nothing when someone else sweeps.
SWEEP = (
    _COMMON
    + r"""
local sweeper = redis.call('GET', P .. 'sweeper')
if sweeper and sweeper ~= ARGV[1] then return {} end
redis.call('SET', P .. 'sweeper', ARGV[1], 'PX', math.ceil(1000 * tonumber(ARGV[2])))

local limit, again, queue = tonumber(ARGV[3]), tonumber(ARGV[4]), ARGV[5]
local at, ready = now(), {}
local queue_is_empty = redis.call('LLEN', queue) == 0

-- Without a worker on it a design is not running but waiting for its turn again.
local function put_back(id)
  if get(design(id), 'state') == 'running' and number(design(id), 'leased') == 0 then
    redis.call('HSET', design(id), 'state', 'queued')
    redis.call('ZADD', P .. 'queued', get(design(id), 'queued_at') or get(design(id), 'created_at'), id)
  end
end

local function give_up(id, key)
  if not is_closing(key) then return fail_island(id, key) end
  redis.call('HSET', design(id), 'ended_because', 'closing_failed', 'ending', 'The end of a round failed.',
    'failure', string.format('closing the round failed %d times', limit))
  finish(id, 'failed', tonumber(ARGV[6]), tonumber(ARGV[7]))
end

-- A message that was sent is lost for sure when the queue is empty. Behind others it may still be waiting, so it is
-- sent again ever more rarely; one too many does no harm.
local function look_after(id, key)
  local state, name = get(design(id), 'state'), slot(id, key)
  local held = get(name, 'state')
  if not state or is_terminal(state) or not (held == 'waiting' or held == 'leased') then return not_due(id, key) end
  if held == 'leased' then
    if state == 'cancelling' and not is_closing(key) then return end_island(id, key, 'skipped') end
    if number(name, 'attempts') >= limit then return give_up(id, key) end
    redis.call('HSET', name, 'state', 'waiting', 'sent', 0, 'passes', 0)
    redis.call('HINCRBY', design(id), 'leased', -1)
  end
  local sent = get(name, 'sent') == '1'
  if held == 'leased' or sent then put_back(id) end
  local passes = sent and not queue_is_empty and redis.call('HINCRBY', name, 'passes', 1) or 0
  due(id, key, at + again * patience(passes))
  if not sent or queue_is_empty or passes > 1 or state == 'cancelling' then
    for _, word in ipairs({id, key, get(design(id), 'state')}) do table.insert(ready, word) end
  end
end

for _, member in ipairs(redis.call('ZRANGEBYSCORE', P .. 'due', '-inf', stamp(at), 'LIMIT', 0, 1000)) do
  local id, key = string.match(member, '^([^/]+)/(.+)$')
  look_after(id, key)
end
return ready
"""
)

#: ARGV worker, seconds after which a silent one is forgotten.
ALIVE = (
    _COMMON
    + r"""
local at = now()
redis.call('ZADD', P .. 'workers', stamp(at), ARGV[1])
redis.call('ZREMRANGEBYSCORE', P .. 'workers', '-inf', stamp(at - tonumber(ARGV[2])))
"""
)

#: ARGV id, seconds to remember the id. Returns 'unknown', 'active' or 'deleted'.
DELETE = (
    _COMMON
    + r"""
local id = ARGV[1]
local state = get(design(id), 'state')
if not state then return 'unknown' end
if not is_terminal(state) then return 'active' end
for _, part in ipairs(PARTS) do redis.call('UNLINK', design(id) .. part) end
redis.call('ZREM', P .. 'designs', id)
redis.call('SET', P .. 'tombstone:' .. id, 'deleted', 'EX', ARGV[2])
return 'deleted'
"""
)

#: ARGV id, time to expire at or '' for never, seconds to remember the id after that.
#: Returns 'unknown', 'active', 'late' or 'kept'.
KEEP = (
    _COMMON
    + r"""
local id, until_at = ARGV[1], ARGV[2]
local state = get(design(id), 'state')
if not state then return 'unknown' end
if not is_terminal(state) then return 'active' end
local tombstone = P .. 'tombstone:' .. id
if until_at == '' then
  for _, part in ipairs(PARTS) do redis.call('PERSIST', design(id) .. part) end
  redis.call('HDEL', design(id), 'expires_at')
  redis.call('DEL', tombstone)
  return 'kept'
end
local at = tonumber(until_at)
if at <= now() then return 'late' end
for _, part in ipairs(PARTS) do redis.call('PEXPIREAT', design(id) .. part, string.format('%.0f', at * 1000)) end
redis.call('HSET', design(id), 'expires_at', stamp(at))
redis.call('SET', tombstone, 'expired', 'EXAT', string.format('%.0f', math.ceil(at + tonumber(ARGV[3]))))
return 'kept'
"""
)
