"""How the store's scripts tell what they have changed: an entry in the job's stream, written in the same go.

A `status` or `progress` entry holds the small fields of the job's row as they are after the change, a `candidate` its
packed row, a `front` the numbers on it. :mod:`worker.events` reads them.
"""

from __future__ import annotations

#: Fields of a job's row that entries carry: those of all kinds, of designs, of lists of shots, of fits.
TOLD_FIELDS = (
    "name", "state", "finished", "repeats", "heartbeat_at", "created_at", "started_at", "finished_at", "expires_at",
    "feasible", "lost", "islands_lost", "round", "islands", "open", "plan", "pace", "deadline", "ended_because",
    "ending", "failure",
    "failed", "shots",
    "records", "model_shots",
)  # fmt: skip

#: Entries that a job at work keeps, about; a quarter of an hour of progress at least. Readers who come back later
#: start from a snapshot again.
MOST_EVENTS = 1000
#: Entries that an ended job keeps for those who come back.
MOST_EVENTS_ENDED = 100

#: Part of every script; it needs the helpers `job`, `get`, `number`, `now` and `stamp`.
TELLING = rf"""
local TOLD = {{{", ".join(f"'{name}'" for name in TOLD_FIELDS)}}}

local function tell(id, kind, words)
  redis.call('XADD', job(id) .. ':events', 'MAXLEN', '~', {MOST_EVENTS}, '*', 'kind', kind, unpack(words))
end

local function tell_row(id, kind)
  local found, words = redis.call('HMGET', job(id), unpack(TOLD)), {{}}
  local function add(name, value)
    if value then table.insert(words, name); table.insert(words, value) end
  end
  for i, name in ipairs(TOLD) do add(name, found[i]) end
  add('rank', redis.call('ZRANK', P .. 'queued', id))
  add('given_up', redis.call('LINDEX', job(id) .. ':given_up', -1))
  tell(id, kind, words)
end

-- Several processes hand in results each second; their progress is told about once a second.
local function tell_progress(id)
  local at = now()
  if at - number(job(id), 'told_at') < 0.9 then return end
  redis.call('HSET', job(id), 'told_at', stamp(at))
  tell_row(id, 'progress')
end

local function tell_end(id)
  tell_row(id, 'progress')
  tell_row(id, 'status')
  redis.call('XTRIM', job(id) .. ':events', 'MAXLEN', {MOST_EVENTS_ENDED})
end
"""

#: Part of the scripts that know designs; it needs the helper `design`, too.
TELLING_DESIGN = r"""
local function tell_candidate(id, trial)
  local row = redis.call('HGET', design(id) .. ':rows', trial)
  if row then tell(id, 'candidate', {'row', row}) end
end

local function best_of(id) return redis.call('ZRANGE', design(id) .. ':energy', 0, 0)[1] end

-- Whoever has the least energy of all is on the front, without the others being looked at.
local function tell_best(id, before)
  local best = best_of(id)
  if best and best ~= before then tell_candidate(id, best) end
end

local function front_of(id) return get(design(id), 'front') end

-- The front after a round, and each trial that has joined it.
local function tell_front(id, before)
  local known, front = {}, front_of(id)
  for _, trial in ipairs(cjson.decode(before)) do known[trial] = true end
  for _, trial in ipairs(cjson.decode(front)) do
    if not known[trial] then tell_candidate(id, string.format('%d', trial)) end
  end
  tell(id, 'front', {'round', get(design(id), 'round'), 'numbers', front})
end
"""
