"""Transactions on records of shots, as Lua. Only :mod:`worker.shot_record_store` uses them."""

from __future__ import annotations

from worker.scripts import COMMON

_RECORD = (
    COMMON
    + r"""
local function record(id) return P .. 'record:' .. id end
-- Records of a bench that nothing has superseded, by when they were fired.
local function of_bench(id) return P .. 'bench:' .. get(record(id), 'bench') .. ':records' end
local function put_on_list(id)
  if get(record(id), 'bench') ~= '' then redis.call('ZADD', of_bench(id), get(record(id), 'fired_at'), id) end
end
local function take_off_list(id)
  if get(record(id), 'bench') ~= '' then redis.call('ZREM', of_bench(id), id) end
end

-- What is told of a trace, and what it is known again by, go to the row; its columns, by name, to a key of their own.
local function add_trace(id, first)
  if #ARGV < first then return end
  redis.call('HSET', record(id), 'trace', ARGV[first], 'trace_digest', ARGV[first + 1])
  for i = first + 2, #ARGV, 2 do redis.call('HSET', record(id) .. ':trace', ARGV[i], ARGV[i + 1]) end
  count('traces:kept', 1)
end
"""
)

#: ARGV id, idempotency digest or '', body digest, seconds to remember it, content, bench or '', when it was fired,
#: design or '', text to be searched, id that it supersedes or '', then what is told of a trace, its digest, columns.
#: Returns {'created', 'same', 'conflict', 'unknown' or 'superseded', id}.
CREATE = (
    _RECORD
    + r"""
local id, old = ARGV[1], ARGV[10]
if old ~= '' and not was_said(ARGV[2]) then
  if redis.call('EXISTS', record(old)) == 0 then return {'unknown', old} end
  local by = get(record(old), 'superseded_by')
  if by then return {'superseded', by} end
end
local said = said_before(ARGV[2], ARGV[3], id, ARGV[4])
if said then return said end
redis.call('HSET', record(id), 'content', ARGV[5], 'bench', ARGV[6], 'fired_at', ARGV[7], 'design', ARGV[8],
  'text', ARGV[9], 'supersedes', old, 'created_at', stamp(now()))
redis.call('ZADD', P .. 'records', 0, id)
put_on_list(id)
if old ~= '' then
  take_off_list(old)
  redis.call('HSET', record(old), 'superseded_by', id)
end
add_trace(id, 11)
count('records:created', 1)
return {'created', id}
"""
)

#: ARGV id, what is told of a trace, its digest, its columns. Returns 'unknown', 'same', 'taken' or 'kept'.
ADD_TRACE = (
    _RECORD
    + r"""
local id = ARGV[1]
if redis.call('EXISTS', record(id)) == 0 then return 'unknown' end
if get(record(id), 'trace') then return get(record(id), 'trace_digest') == ARGV[3] and 'same' or 'taken' end
add_trace(id, 2)
return 'kept'
"""
)

#: ARGV id, seconds to remember the id. Returns 'unknown' or 'deleted'. What it superseded stands again.
DELETE = (
    _RECORD
    + r"""
local id = ARGV[1]
if redis.call('EXISTS', record(id)) == 0 then return 'unknown' end
local old = get(record(id), 'supersedes')
if old ~= '' and get(record(old), 'superseded_by') == id then
  redis.call('HDEL', record(old), 'superseded_by')
  put_on_list(old)
end
take_off_list(id)
for _, part in ipairs({'', ':trace', ':predicted'}) do redis.call('UNLINK', record(id) .. part) end
redis.call('ZREM', P .. 'records', id)
redis.call('SET', P .. 'tombstone:record:' .. id, 'deleted', 'EX', ARGV[2])
return 'deleted'
"""
)
