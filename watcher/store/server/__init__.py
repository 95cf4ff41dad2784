"""Readings on a server that speaks line protocol: written from a spool on disk, read back over HTTP.

How a row lies there: measurement `pv_watcher`, tags `site` and `channel`, field `value` and, for a row that did not
come on time, a second field `received` (UTC milliseconds); both fields floats, the timestamp in milliseconds. In
VictoriaMetrics these are the metrics `pv_watcher_value` and `pv_watcher_received` with the labels `site` and `channel`.
The tag set never changes and no tag shares a name with a field, which InfluxDB 3 asks for.

What is promised, with one spool a site:
- A row is in the spool, with its site's watermark, before `append` returns, and stays until the server has been asked
  for it at least HOLD_MS after it said it had it, and has given it back. One that it did not give back is sent again;
  one that it never keeps stays in the spool, is counted, and is read from there.
- Reads are rows of the spool and rows of the server together, so that what was appended is seen at once, whatever the
  server is behind with.
- The first value of a (channel, time) stays, however old: a row that may be there already is looked for on the server
  before it is sent, and the one that is there stays. Only the count of `append` is less sure: an old row that is there
  already counts as new where the spool no longer has it.
- A lost spool loses what was not yet sent, and the watermark. A new one asks the server what it has of a site before
  it sends anything of it.

Servers other than the one VictoriaMetrics and the one InfluxDB 1.x of the tests have been tried against a stub only.
"""
