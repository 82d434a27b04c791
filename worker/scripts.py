"""The store's transactions on jobs, as Lua that the server runs in one go. Only the stores use them.

Those that take a job take designs, lists of shots and fits alike: a job has slots, and a slot has a lease. What only
lists need is in :mod:`worker.shot_list_scripts`, what only fits need in :mod:`worker.fit_scripts`.

Keys are put together inside the scripts, so a single server (or a primary with replicas) is needed, not a cluster.
The clock is the server's, so that workers with wrong clocks cannot disagree about a lease.
"""

from __future__ import annotations

from worker.event_scripts import TELLING, TELLING_DESIGN

#: Start of every key; `COMMON` carries it too.
PREFIX = "shotwright:"

COMMON = (
    r"""
local P = 'shotwright:'
local function now() local t = redis.call('TIME'); return tonumber(t[1]) + tonumber(t[2]) / 1e6 end
local function stamp(seconds) return string.format('%.6f', seconds) end

-- A job is a design, called by its id alone, a list of shots, called 'shot-list:' and its id, or a fit, 'fit:' and its
-- id. The latter two have slices and no closing; a fit has one slice, of one item.
local function kind(id)
  if string.sub(id, 1, 10) == 'shot-list:' then return 'shot-lists' end
  return string.sub(id, 1, 4) == 'fit:' and 'fits' or 'designs'
end
local function is_sliced(id) return kind(id) ~= 'designs' end
local function job(id) return P .. (is_sliced(id) and id or 'design:' .. id) end
local function slot(id, key) return job(id) .. ':slot:' .. key end
local SLOTS = {designs = 'islands', ['shot-lists'] = 'slices', fits = 'fit-tasks'}
local function all_of(id) return P .. kind(id) end
local function get(key, field) return redis.call('HGET', key, field) end
local function number(key, field) return tonumber(redis.call('HGET', key, field) or '0') end
local function due(id, key, at) redis.call('ZADD', P .. 'due', stamp(at), id .. '/' .. key) end
local function not_due(id, key) redis.call('ZREM', P .. 'due', id .. '/' .. key) end
local function is_closing(key) return string.sub(key, -7) == 'closing' end
local function is_terminal(state) return state == 'succeeded' or state == 'failed' or state == 'cancelled' end
"""
    + TELLING
    + r"""
-- What ever happened, for the metrics; it stays when designs go.
local function count(name, by) redis.call('HINCRBY', P .. 'totals', name, by) end

-- Whoever adds a slot also sends its message, or runs it, at once; it is looked after when that did not happen.
local function add_slot(id, key, trials)
  redis.call('HSET', slot(id, key), 'state', 'waiting', 'attempts', 0, 'sent', 0, 'passes', 0, 'trials', trials,
    'recorded', 0)
  due(id, key, now() + 1)
end

-- A message that may wait behind others is looked after again after twice the time, each time: 1, 1, 2, 4, ...
local function patience(passes) return 2 ^ math.max(0, math.min(passes - 1, 10)) end

local function forget_slots(id)
  local round = get(job(id), 'round')
  for island = 0, number(job(id), 'islands') - 1 do
    redis.call('DEL', slot(id, round .. '/' .. island))
    not_due(id, round .. '/' .. island)
  end
  redis.call('DEL', slot(id, round .. '/closing'))
  not_due(id, round .. '/closing')
end

local function add_round(id, round, first)
  redis.call('HSET', job(id), 'round', round, 'open', #ARGV - first + 1, 'islands', #ARGV - first + 1, 'leased', 0)
  redis.call('HDEL', job(id), 'round_began_at')
  for i = first, #ARGV do add_slot(id, round .. '/' .. (i - first), ARGV[i]) end
end

-- One island or slice is over, whatever its end. Returns whether it was the last of its round.
local function end_slot(id, key, state)
  if get(slot(id, key), 'state') == 'leased' then redis.call('HINCRBY', job(id), 'leased', -1) end
  redis.call('HSET', slot(id, key), 'state', state)
  count(SLOTS[kind(id)] .. ':' .. state, 1)
  not_due(id, key)
  return redis.call('HINCRBY', job(id), 'open', -1) <= 0
end

local function holds(id, key, attempt)
  return get(slot(id, key), 'state') == 'leased' and get(slot(id, key), 'attempts') == attempt
end

local PARTS = {'', ':rows', ':order', ':feasible', ':energy', ':misses', ':nearest', ':sample', ':given_up', ':shots',
  ':events'}

local function finish(id, state, keep, remember)
  local at = now()
  redis.call('HSET', job(id), 'state', state, 'finished_at', stamp(at), 'expires_at', stamp(at + keep))
  redis.call('ZREM', P .. 'queued', id)
  count(kind(id) .. ':' .. state, 1)
  local owner = get(job(id), 'owner')
  if owner then redis.call('SREM', P .. 'open:' .. owner, id) end
  forget_slots(id)
  tell_end(id)
  for _, part in ipairs(PARTS) do redis.call('EXPIRE', job(id) .. part, math.ceil(keep)) end
  redis.call('SET', P .. 'tombstone:' .. id, 'expired', 'EX', math.ceil(keep + remember))
end

-- The last slice of a list, or of a fit, ends it: it has failed only when no shot, or no fit, has a result.
local function end_slice(id, key, state, keep, remember)
  if not end_slot(id, key, state) then return end
  local final = number(job(id), 'finished') > 0 and 'succeeded' or 'failed'
  if get(job(id), 'state') == 'cancelling' then final = 'cancelled' end
  finish(id, final, tonumber(keep), tonumber(remember))
end

-- How often a slot was begun: of a slice since it last came on by a shot, of an island altogether.
local function tries(name) return tonumber(get(name, 'tried') or get(name, 'attempts') or '0') end

-- Counts a job among the open ones of its owner; false when there are too many. A job without owner always may.
local function may_open(id, owner, most)
  if not owner or owner == '' then return true end
  if redis.call('SCARD', P .. 'open:' .. owner) >= tonumber(most) then return false end
  redis.call('SADD', P .. 'open:' .. owner, id)
  return true
end

local function was_said(digest) return digest ~= '' and redis.call('EXISTS', P .. 'idempotency:' .. digest) == 1 end

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
)

_DESIGN = (
    r"""
local function design(id) return P .. 'design:' .. id end
"""
    + TELLING_DESIGN
    + r"""
-- The last island of a round opens the closing. Returns 1 then, else 0.
local function end_island(id, key, state)
  if not end_slot(id, key, state) then return 0 end
  add_slot(id, get(job(id), 'round') .. '/closing', 0)
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
-- candidate, shots spent on it since it was last written. Returns how many of the rows are feasible.
local function index_rows(id, places)
  local energy, nearest = design(id) .. ':energy', design(id) .. ':nearest'
  local limit = tonumber(get(design(id), 'energy_from') or math.huge)
  local feasible, misses, shots = 0, {}, 0
  for _, i in ipairs(places) do
    shots = shots + tonumber(ARGV[i + 4])
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
  for reason, trials in pairs(misses) do redis.call('HINCRBY', design(id) .. ':misses', reason, trials) end
  count('shots', shots)
  return feasible
end

-- A trial counts when its number is new; a repeated one changes nothing. Rows are ARGV `first` to `last`.
local function add_rows(id, key, first, last)
  local places = {}
  for i = first, last, 5 do
    if redis.call('HSETNX', design(id) .. ':rows', ARGV[i], ARGV[i + 3]) == 1 then
      table.insert(places, i)
      redis.call('RPUSH', design(id) .. ':order', ARGV[i])
    end
  end
  if #places == 0 then return end
  redis.call('HINCRBY', design(id), 'feasible', index_rows(id, places))
  redis.call('HINCRBY', design(id), 'finished', #places)
  redis.call('HINCRBY', slot(id, key), 'recorded', #places)
  count('trials', #places)
end

-- Rows take the place of those with the same number; each is followed by the reason of the old one.
local function replace_rows(id, first, last)
  local places, feasible = {}, 0
  for i = first, last, 6 do
    local trial, old = ARGV[i], ARGV[i + 5]
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
"""
)

#: For the scripts that know what a design consists of.
_BOTH = COMMON + _DESIGN

#: ARGV id, idempotency digest or '', body digest, seconds to remember it, deadline or '', duration or '', request,
#: plan, name, the bench that it names or '', owner or '', most open jobs of an owner, the software that it is made
#: with, then trials of each island. Returns {outcome, id}.
CREATE = (
    _BOTH
    + r"""
local id, deadline = ARGV[1], ARGV[5]
if not was_said(ARGV[2]) then
  if too_late(deadline) then return {'late', ''} end
  if not may_open(id, ARGV[11], ARGV[12]) then return {'many', ''} end
end
local said = said_before(ARGV[2], ARGV[3], id, ARGV[4])
if said then return said end
redis.call('HSET', design(id), 'state', 'queued', 'created_at', stamp(now()), 'finished', 0, 'feasible', 0, 'lost', 0,
  'front', '[]', 'deadline', deadline, 'duration', ARGV[6], 'request', ARGV[7], 'plan', ARGV[8], 'name', ARGV[9],
  'bench', ARGV[10], 'owner', ARGV[11], 'software', ARGV[13])
redis.call('ZADD', P .. 'designs', 0, id)
redis.call('ZADD', P .. 'queued', get(design(id), 'created_at'), id)
add_round(id, 0, 14)
count('designs:created', 1)
tell_row(id, 'status')
return {'created', id}
"""
)

#: ARGV id, idempotency digest or '', body digest, seconds to remember it, deadline or '', duration or '', the plan as
#: it was, the plan as it shall be, all continuations, pace, number of the next round, most open jobs of an owner,
#: then trials of each of its islands, none when the budget is no larger. Returns {outcome, id}.
CONTINUE = (
    _BOTH
    + r"""
local id, deadline = ARGV[1], ARGV[5]
if was_said(ARGV[2]) then return said_before(ARGV[2], ARGV[3], id, ARGV[4]) end
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
tell_row(id, 'status')
return {'continued', id}
"""
)

#: ARGV id, the first rows as text. Returns the text that the design's rows are packed with: the first one offered.
SAMPLE = (
    _BOTH
    + r"""
local id = ARGV[1]
local state = get(design(id), 'state')
if state and not is_terminal(state) then redis.call('SETNX', design(id) .. ':sample', ARGV[2]) end
return redis.call('GET', design(id) .. ':sample')
"""
)

#: ARGV id, slot key, attempt, what is under way as JSON.
NOTE = (
    COMMON
    + r"""
if holds(ARGV[1], ARGV[2], ARGV[3]) then redis.call('HSET', slot(ARGV[1], ARGV[2]), 'under_way', ARGV[4]) end
"""
)

#: ARGV id, slot key, seconds until the message is looked after again.
SENT = (
    COMMON
    + r"""
local id, key = ARGV[1], ARGV[2]
if get(slot(id, key), 'state') ~= 'waiting' then return end
redis.call('HSET', slot(id, key), 'sent', 1)
due(id, key, now() + tonumber(ARGV[3]) * patience(number(slot(id, key), 'passes')))
"""
)

#: ARGV id, slot key, lease seconds, attempts limit. Returns the attempt, or 0 when there is nothing to do.
LEASE = (
    COMMON
    + r"""
local id, key, seconds, limit = ARGV[1], ARGV[2], tonumber(ARGV[3]), tonumber(ARGV[4])
local state, at, name = get(job(id), 'state'), now(), slot(id, key)
if not state or is_terminal(state) then return 0 end
local held = get(name, 'state')
local expired = held == 'leased' and number(name, 'lease_until') < at
if not (held == 'waiting' or expired) or tries(name) >= limit then return 0 end
if state == 'cancelling' and not is_closing(key) then return 0 end
if held == 'waiting' then redis.call('HINCRBY', job(id), 'leased', 1) end
local attempt = redis.call('HINCRBY', name, 'attempts', 1)
count('attempts', 1)
if attempt > 1 then redis.call('HINCRBY', job(id), 'repeats', 1) end
if is_sliced(id) then redis.call('HINCRBY', name, 'tried', 1) end
redis.call('HSET', name, 'state', 'leased', 'lease_until', stamp(at + seconds))
due(id, key, at + seconds)
redis.call('HSET', job(id), 'heartbeat_at', stamp(at))
redis.call('HSETNX', job(id), 'round_began_at', stamp(at))
if state == 'queued' then
  redis.call('HSET', job(id), 'state', 'running')
  redis.call('HSETNX', job(id), 'started_at', stamp(at))
  redis.call('ZREM', P .. 'queued', id)
  local duration = get(job(id), 'duration')
  if duration and duration ~= '' then
    redis.call('HSET', job(id), 'deadline', stamp(at + tonumber(duration)), 'duration', '')
  end
  tell_row(id, 'status')
end
return attempt
"""
)

#: ARGV id, slot key, attempt, lease seconds, then new rows. Returns the design's state, or 'lost'.
RECORD = (
    _BOTH
    + r"""
local id, key, attempt, seconds = ARGV[1], ARGV[2], ARGV[3], tonumber(ARGV[4])
if not holds(id, key, attempt) then return 'lost' end
local at = now()
redis.call('HSET', slot(id, key), 'lease_until', stamp(at + seconds))
redis.call('HSET', design(id), 'heartbeat_at', stamp(at))
due(id, key, at + seconds)
local best = best_of(id)
add_rows(id, key, 5, #ARGV)
tell_best(id, best)
tell_progress(id)
return get(design(id), 'state')
"""
)

#: ARGV id, slot key, attempt, count of new rows, new rows, then settled rows that replace earlier ones.
#: Returns 'lost', 'filled', or 'full' when this was the round's last island.
FILL = (
    _BOTH
    + r"""
local id, key, attempt, fresh = ARGV[1], ARGV[2], ARGV[3], tonumber(ARGV[4])
if not holds(id, key, attempt) then return 'lost' end
local best = best_of(id)
add_rows(id, key, 5, 4 + 5 * fresh)
replace_rows(id, 5 + 5 * fresh, #ARGV)
tell_best(id, best)
redis.call('HSET', design(id), 'heartbeat_at', stamp(now()))
local outcome = end_island(id, key, 'filled') == 1 and 'full' or 'filled'
tell_progress(id)
return outcome
"""
)

#: ARGV id, slot key, attempt, final state or '', seconds to keep results, seconds to remember the id after that, count
#: of fields, count of revised rows, fields and values, revised rows, then trials of each island of the next round (0
#: when it only confirms).
#: Returns 'lost', 'next' or the end state.
CLOSE = (
    _BOTH
    + r"""
local id, key, attempt, final = ARGV[1], ARGV[2], ARGV[3], ARGV[4]
local rows = 9 + 2 * tonumber(ARGV[7])
local islands = rows + 6 * tonumber(ARGV[8])
if not holds(id, key, attempt) then return 'lost' end
local front = front_of(id)
set_fields(id, 9, rows - 1)
replace_rows(id, rows, islands - 1)
tell_front(id, front)
redis.call('HSET', design(id), 'heartbeat_at', stamp(now()))
if get(design(id), 'state') == 'cancelling' then final = 'cancelled' end
if final ~= '' then
  finish(id, final, tonumber(ARGV[5]), tonumber(ARGV[6]))
  return final
end
forget_slots(id)
add_round(id, number(design(id), 'round') + 1, islands)
redis.call('HSET', design(id), 'round_began_at', stamp(now()))
tell_row(id, 'progress')
return 'next'
"""
)

#: ARGV id, seconds to keep results, seconds to remember the id after that. Returns {state, 1 when the closing waits to
#: be run}.
CANCEL = (
    _BOTH
    + r"""
local id = ARGV[1]
local state = get(job(id), 'state')
if not state or is_terminal(state) then return {state or '', 0} end
local round = get(job(id), 'round')
if state ~= 'cancelling' then
  redis.call('HSET', job(id), 'state', 'cancelling')
  redis.call('ZREM', P .. 'queued', id)
  tell_row(id, 'status')
  for island = 0, number(job(id), 'islands') - 1 do
    local key = round .. '/' .. island
    if get(slot(id, key), 'state') == 'waiting' then
      if is_sliced(id) then end_slice(id, key, 'skipped', ARGV[2], ARGV[3]) else end_island(id, key, 'skipped') end
    end
  end
end
return {get(job(id), 'state'), get(slot(id, round .. '/closing'), 'state') == 'waiting' and 1 or 0}
"""
)

#: ARGV who sweeps, seconds that nobody else shall, attempts limit, seconds until looked after again, the message
#: queue's key, seconds to keep results, seconds to remember the id after that.
#: Returns triples: job id, slot key, job state, of the slots to be run. Nothing when someone else sweeps.
SWEEP = (
    _BOTH
    + r"""
local sweeper = redis.call('GET', P .. 'sweeper')
if sweeper and sweeper ~= ARGV[1] then return {} end
redis.call('SET', P .. 'sweeper', ARGV[1], 'PX', math.ceil(1000 * tonumber(ARGV[2])))

local limit, again, queue = tonumber(ARGV[3]), tonumber(ARGV[4]), ARGV[5]
local at, ready = now(), {}
local queue_is_empty = redis.call('LLEN', queue) == 0

-- Without a worker on it a job is not running but waiting for its turn again.
local function put_back(id)
  if get(job(id), 'state') == 'running' and number(job(id), 'leased') == 0 then
    redis.call('HSET', job(id), 'state', 'queued')
    redis.call('ZADD', P .. 'queued', get(job(id), 'queued_at') or get(job(id), 'created_at'), id)
    tell_row(id, 'status')
  end
end

local function give_up(id, key)
  if not is_closing(key) then
    fail_island(id, key)
    return tell_progress(id)
  end
  redis.call('HSET', design(id), 'ended_because', 'closing_failed', 'ending', 'The end of a round failed.',
    'failure', string.format('closing the round failed %d times', limit))
  finish(id, 'failed', tonumber(ARGV[6]), tonumber(ARGV[7]))
end

local function skip(id, key)
  if is_sliced(id) then return end_slice(id, key, 'skipped', ARGV[6], ARGV[7]) end
  return end_island(id, key, 'skipped')
end

-- The shot that a slice did not come on from is given up and the slice goes on with the next one; all of its shots are,
-- when it did not even come to one.
local function fail_shots(id, name)
  local at, first, shots = get(name, 'at'), number(name, 'first'), number(name, 'trials')
  if at then first, shots = tonumber(at), 1 end
  for shot = first, first + shots - 1 do
    local row = string.format('{"number":%d,"state":"failed","attempts_count":%d}', shot, tries(name))
    if redis.call('HSETNX', job(id) .. ':rows', shot, row) == 1 then
      redis.call('HINCRBY', job(id), 'failed', 1)
      if kind(id) == 'shot-lists' then count('list-shots:failed', 1) end
    end
  end
  tell_progress(id)
  redis.call('HDEL', name, 'at')
  redis.call('HSET', name, 'tried', 0)
end

-- A message that was sent is lost for sure when the queue is empty. Behind others it may still be waiting, so it is
-- sent again ever more rarely; one too many does no harm.
local function look_after(id, key)
  local state, name = get(job(id), 'state'), slot(id, key)
  local held = get(name, 'state')
  if not state or is_terminal(state) or not (held == 'waiting' or held == 'leased') then return not_due(id, key) end
  if held == 'leased' then
    if state == 'cancelling' and not is_closing(key) then return skip(id, key) end
    if tries(name) >= limit then
      if not is_sliced(id) then return give_up(id, key) end
      fail_shots(id, name)
    end
    redis.call('HSET', name, 'state', 'waiting', 'sent', 0, 'passes', 0)
    redis.call('HINCRBY', job(id), 'leased', -1)
  end
  local sent = get(name, 'sent') == '1'
  if held == 'leased' or sent then put_back(id) end
  local passes = sent and not queue_is_empty and redis.call('HINCRBY', name, 'passes', 1) or 0
  due(id, key, at + again * patience(passes))
  if not sent or queue_is_empty or passes > 1 or state == 'cancelling' then
    for _, word in ipairs({id, key, get(job(id), 'state')}) do table.insert(ready, word) end
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
    COMMON
    + r"""
local at = now()
redis.call('ZADD', P .. 'workers', stamp(at), ARGV[1])
redis.call('ZREMRANGEBYSCORE', P .. 'workers', '-inf', stamp(at - tonumber(ARGV[2])))
"""
)

#: ARGV id, seconds to remember the id. Returns 'unknown', 'active' or 'deleted'.
DELETE = (
    COMMON
    + r"""
local id = ARGV[1]
local state = get(job(id), 'state')
if not state then return 'unknown' end
if not is_terminal(state) then return 'active' end
for _, part in ipairs(PARTS) do redis.call('UNLINK', job(id) .. part) end
redis.call('ZREM', all_of(id), id)
redis.call('SET', P .. 'tombstone:' .. id, 'deleted', 'EX', ARGV[2])
return 'deleted'
"""
)

#: ARGV id, time to expire at or '' for never, seconds to remember the id after that.
#: Returns 'unknown', 'active', 'late' or 'kept'.
KEEP = (
    COMMON
    + r"""
local id, until_at = ARGV[1], ARGV[2]
local state = get(job(id), 'state')
if not state then return 'unknown' end
if not is_terminal(state) then return 'active' end
local tombstone = P .. 'tombstone:' .. id
if until_at == '' then
  for _, part in ipairs(PARTS) do redis.call('PERSIST', job(id) .. part) end
  redis.call('HDEL', job(id), 'expires_at')
  redis.call('DEL', tombstone)
  return 'kept'
end
local at = tonumber(until_at)
if at <= now() then return 'late' end
for _, part in ipairs(PARTS) do redis.call('PEXPIREAT', job(id) .. part, string.format('%.0f', at * 1000)) end
redis.call('HSET', job(id), 'expires_at', stamp(at))
redis.call('SET', tombstone, 'expired', 'EXAT', string.format('%.0f', math.ceil(at + tonumber(ARGV[3]))))
return 'kept'
"""
)
