-- For wrk: posts the lines of the file named by CASES, one after another.
local bodies = {}
for line in io.lines(os.getenv("CASES")) do
  bodies[#bodies + 1] = line
end
local at = 0
wrk.method = "POST"
wrk.headers["Content-Type"] = "application/json"
request = function()
  at = at % #bodies + 1
  return wrk.format(nil, nil, nil, bodies[at])
end
done = function(summary, latency)
  local errors = summary.errors
  io.write(string.format(
    "RESULT %d %d %d %d\n", summary.requests, summary.duration, latency:percentile(99),
    errors.connect + errors.read + errors.write + errors.status + errors.timeout))
end
