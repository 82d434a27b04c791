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
  redis.call('HSET', slot(id, key), 'state', 'waiting', 'attempts', 0, 'sent', 0, 'trials', trials, 'recorded', 0)
  due(id, key, now() + 1)
end

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

local function fail_island(id, key, reason)
  local lost = number(slot(id, key), 'trials') - number(slot(id, key), 'recorded')
  redis.call('HINCRBY', design(id), 'lost', lost)
  redis.call('HSET', design(id), 'failure', reason)
  return end_island(id, key, 'failed')
end

local PARTS = {'', ':rows', ':order', ':feasible', ':energy', ':misses', ':nearest'}

local function finish(id, state, keep, remember)
  local at = now()
  redis.call('HSET', design(id), 'state', state, 'finished_at', stamp(at), 'expires_at', stamp(at + keep))
  redis.call('ZREM', P .. 'queued', id)
  forget_slots(id)
  for _, part in ipairs(PARTS) do redis.call('EXPIRE', design(id) .. part, math.ceil(keep)) end
  redis.call('SET', P .. 'tombstone:' .. id, 'expired', 'EX', math.ceil(keep + remember))
end

local function holds(id, key, attempt)
  return get(slot(id, key), 'state') == 'leased' and get(slot(id, key), 'attempts') == attempt
end

local function forget_row(id, row)
  if row.feasible then
    redis.call('ZREM', design(id) .. ':feasible', row.number)
    redis.call('ZREM', design(id) .. ':energy', row.number)
  else
    redis.call('HINCRBY', design(id) .. ':misses', row.reason, -1)
    redis.call('ZREM', design(id) .. ':nearest', row.number)
  end
end

-- `nearest` keeps a few of the closest misses only.
local function index_row(id, row)
  local place = redis.call('ZSCORE', design(id) .. ':order', row.number)
  if row.feasible then
    redis.call('ZADD', design(id) .. ':feasible', place, row.number)
    redis.call('ZADD', design(id) .. ':energy', string.format('%.17g', row.objectives.stored_energy_j), row.number)
  else
    redis.call('HINCRBY', design(id) .. ':misses', row.reason, 1)
    redis.call('ZADD', design(id) .. ':nearest', string.format('%.17g', row.violation_ratio), row.number)
    redis.call('ZREMRANGEBYRANK', design(id) .. ':nearest', 8, -1)
  end
end

-- A trial counts when its number is new; a repeated one changes nothing.
local function add_row(id, key, text)
  local row = cjson.decode(text)
  if redis.call('HSETNX', design(id) .. ':rows', row.number, text) == 0 then return end
  redis.call('ZADD', design(id) .. ':order', redis.call('HINCRBY', design(id), 'finished', 1), row.number)
  redis.call('HINCRBY', slot(id, key), 'recorded', 1)
  index_row(id, row)
end

local function replace_row(id, text)
  local row = cjson.decode(text)
  local old = get(design(id) .. ':rows', row.number)
  if not old then return end
  forget_row(id, cjson.decode(old))
  redis.call('HSET', design(id) .. ':rows', row.number, text)
  index_row(id, row)
end
"""

#: ARGV id, request, idempotency digest or '', body digest, seconds to remember it, then trials of each island.
CREATE = (
    _COMMON
    + r"""
local id, request, idempotency, body, remember = ARGV[1], ARGV[2], ARGV[3], ARGV[4], ARGV[5]
if idempotency ~= '' then
  local record = P .. 'idempotency:' .. idempotency
  local old = redis.call('HMGET', record, 'body', 'design')
  if old[1] then return {old[1] == body and 'same' or 'conflict', old[2]} end
  redis.call('HSET', record, 'body', body, 'design', id)
  redis.call('EXPIRE', record, remember)
end
redis.call('HSET', design(id), 'state', 'queued', 'request', request, 'created_at', stamp(now()),
  'finished', 0, 'lost', 0, 'front', '[]')
redis.call('ZADD', P .. 'designs', 0, id)
redis.call('ZADD', P .. 'queued', get(design(id), 'created_at'), id)
add_round(id, 0, 6)
return {'created', id}
"""
)

#: ARGV id, slot key, seconds until the message is looked after again.
SENT = (
    _COMMON
    + r"""
local id, key = ARGV[1], ARGV[2]
if get(slot(id, key), 'state') ~= 'waiting' then return end
redis.call('HSET', slot(id, key), 'sent', 1)
due(id, key, now() + tonumber(ARGV[3]))
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
if state == 'queued' then
  redis.call('HSET', design(id), 'state', 'running')
  redis.call('HSETNX', design(id), 'started_at', stamp(at))
  redis.call('ZREM', P .. 'queued', id)
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
for i = 5, #ARGV do add_row(id, key, ARGV[i]) end
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
for i = 5, 4 + fresh do add_row(id, key, ARGV[i]) end
for i = 5 + fresh, #ARGV do replace_row(id, ARGV[i]) end
redis.call('HSET', design(id), 'heartbeat_at', stamp(now()))
return end_island(id, key, 'filled') == 1 and 'full' or 'filled'
"""
)

#: ARGV id, slot key, attempt, front, recommended, limiting, failure, final state or '', seconds to keep results,
#: seconds to remember the id after that, then trials of each island of the next round.
#: Returns 'lost', 'next' or the end state.
CLOSE = (
    _COMMON
    + r"""
local id, key, attempt, final = ARGV[1], ARGV[2], ARGV[3], ARGV[8]
if not holds(id, key, attempt) then return 'lost' end
for i, field in ipairs({'front', 'recommended', 'limiting', 'failure'}) do
  if ARGV[3 + i] ~= '' then redis.call('HSET', design(id), field, ARGV[3 + i]) end
end
redis.call('HSET', design(id), 'heartbeat_at', stamp(now()))
if get(design(id), 'state') == 'cancelling' then final = 'cancelled' end
if final ~= '' then
  finish(id, final, tonumber(ARGV[9]), tonumber(ARGV[10]))
  return final
end
forget_slots(id)
add_round(id, number(design(id), 'round') + 1, 11)
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

#: ARGV attempts limit, seconds until looked after again, the message queue's key, seconds to keep results, seconds to
#: remember the id after that.
#: Returns triples: design id, slot key, design state, of the slots to be run.
SWEEP = (
    _COMMON
    + r"""
local limit, again, queue = tonumber(ARGV[1]), tonumber(ARGV[2]), ARGV[3]
local at, ready = now(), {}
local queue_is_empty = redis.call('LLEN', queue) == 0

-- Without a worker on it a design is not running but waiting for its turn again.
local function put_back(id)
  if get(design(id), 'state') == 'running' and number(design(id), 'leased') == 0 then
    redis.call('HSET', design(id), 'state', 'queued')
    redis.call('ZADD', P .. 'queued', get(design(id), 'created_at'), id)
  end
end

local function give_up(id, key)
  local words = string.format('an island was given up after %d attempts, each ended without a result', limit)
  if not is_closing(key) then return fail_island(id, key, words) end
  redis.call('HSET', design(id), 'failure', string.format('closing the round failed %d times', limit))
  finish(id, 'failed', tonumber(ARGV[4]), tonumber(ARGV[5]))
end

local function look_after(id, key)
  local state, name = get(design(id), 'state'), slot(id, key)
  local held = get(name, 'state')
  if not state or is_terminal(state) or not (held == 'waiting' or held == 'leased') then return not_due(id, key) end
  if held == 'leased' then
    if state == 'cancelling' and not is_closing(key) then return end_island(id, key, 'skipped') end
    if number(name, 'attempts') >= limit then return give_up(id, key) end
    redis.call('HSET', name, 'state', 'waiting', 'sent', 0)
    redis.call('HINCRBY', design(id), 'leased', -1)
  end
  if held == 'leased' or get(name, 'sent') == '1' then put_back(id) end
  due(id, key, at + again)
  if get(name, 'sent') == '0' or queue_is_empty or state == 'cancelling' then
    redis.call('HSET', name, 'sent', 1)
    for _, word in ipairs({id, key, get(design(id), 'state')}) do table.insert(ready, word) end
  end
end

for _, member in ipairs(redis.call('ZRANGEBYSCORE', P .. 'due', '-inf', stamp(at), 'LIMIT', 0, 200)) do
  local id, key = string.match(member, '^([^/]+)/(.+)$')
  look_after(id, key)
end
return ready
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
for _, part in ipairs(PARTS) do redis.call('DEL', design(id) .. part) end
redis.call('ZREM', P .. 'designs', id)
redis.call('SET', P .. 'tombstone:' .. id, 'deleted', 'EX', ARGV[2])
return 'deleted'
"""
)
