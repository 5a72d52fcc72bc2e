#!/bin/sh
# A whole visit to oven PK-0412 of Potluck Kitchens: complaint, checks, repair, proof.
#
# Needs curl 7.76 and jq 1.6, and nothing else. OHMPATH_URL and OHMPATH_KEY say where the service
# is, and with which key it is asked. oven.json stands for the technician: it has what each check
# would read. To ask by hand for what comes first, with the same curl:
#
#   jq .case examples/oven.json | curl -sS --fail-with-body http://127.0.0.1:8080/v1/assessments \
#       -H 'Content-Type: application/json' --data-binary @- | jq .next_check
#
# shellcheck disable=SC2016 # what looks like a variable in single quotes is one of jq
set -eu
url=${OHMPATH_URL:-http://127.0.0.1:8080}
oven=$(dirname -- "$0")/oven.json
most_steps=60 # a reading that the service cannot use is asked for again, without end

visit=$(jq -c .case "$oven") # the case, as it is posted
plates=$(jq -c .plates "$oven")
answer=                      # the assessment of it
told='[]'                    # ids of the precautions that have been shown in full
steps=0

# Post the case. A problem ends the visit: what is wrong, and where in the case.
ask() {
    answer=$(printf '%s' "$visit" |
        curl -sS --fail-with-body --max-time 30 "$url/v1/assessments" \
            -H 'Content-Type: application/json' \
            ${OHMPATH_KEY:+-H "Authorization: Bearer $OHMPATH_KEY"} --data-binary @-) || {
        printf '%s' "$answer" | jq -r '"\(.status) \(.title)",
            (if .errors == [] then "  \(.detail)" else "  \(.errors[] | .pointer + ": " + .message)" end)
            ' 2>/dev/null || printf '%s\n' "$answer"
        exit 1
    } >&2
}

# Read the answer with the jq program $1; what follows it is passed on to jq.
get() {
    program=$1
    shift
    printf '%s' "$answer" | jq -r --argjson told "$told" --argjson visit "$visit" "$@" '
        def applying: .precautions | map(select(.applies_now));
        # In full the first time and as long as they are to be confirmed, by name from then on.
        # Those of the whole answer: a verdict has some, and no next_check.
        def in_full: (.must_confirm and (.confirmed | not)) or (.id | IN($told[]) | not);
        def warnings: applying |
            (map(select(in_full | not).id) | select(. != []) | "    as before: " + join(", ")),
            (.[] | select(in_full) | "    \(.signal_word) \(.id): \(.text)");
        def because: "\(.status): " + ([.reasons[].text] | join("; "));'"$program"
}

# End here unless the answer has the status $1.
must_be() {
    [ "$(get .status)" = "$1" ] && return
    get because >&2
    exit 1
}

# Do what next_check says until there is none, with the readings in $1.
follow() {
    while ask && [ "$(get .status)" = check-next ]; do
        steps=$((steps + 1))
        if [ "$steps" -gt "$most_steps" ]; then
            get '"\(.next_check.id) is asked for again and again"' >&2
            exit 1
        fi
        # The precautions come before anything is done.
        get '"\($step). \(.next_check.title)", warnings, "    - \(.next_check.how[])"' --arg step "$steps"
        told=$(get '$told + [applying[].id] | tojson')

        # What is seen or heard meanwhile goes along with the reading.
        get 'def shown: if .over_range then "over range" else .observed // "\(.value) \(.unit)" end;
            .next_check | $readings[.id] as $reading
            | if .kind == "preparation" then "    = done, \(.confirms[0].id)"
              elif $plates[.id] then "    = read"
              elif $reading == null then "    = cannot be done here"
              else "    = \($reading | shown)",
                (.also[] | $readings[.id] as $seen | select($seen) | "    + \(.title): \($seen | shown)") end' \
            --argjson readings "$1" --argjson plates "$plates"
        visit=$(get '.next_check as $step | $readings[$step.id] as $reading | $visit
            | if $step.kind == "preparation"
                then .confirmed |= map(select(.id | IN($step.withdraws[]) | not)) + $step.confirms
              elif $plates[$step.id] then .nameplate += $plates[$step.id]
              elif $reading == null then .unavailable += [$step.id]
              else .readings += [{id: $step.id}, $step.also[] | select($readings[.id])
                | {check: .id} + $readings[.id]] end
            | tojson' \
            --argjson readings "$1" --argjson plates "$plates")
    done
}

printf '%s' "$visit" | jq -r '"\(.case_id): \(.symptom)"'
follow "$(jq -c .readings "$oven")"
must_be fault-found
get '.verdict | "fault-found: \(.title), \(.fault) (\(.confidence * 100 | round)%)"'
get warnings
get '.verdict | "    - \(.remedy.action)", "    parts: \([.part_titles[]] | join("; "))"'
told=$(get '$told + [applying[].id] | tojson')

visit=$(get '.verdict as $verdict | $visit
    | .phase = "verify-repair"
    | .repairs = [$verdict, $verdict.also_found[]
        | {remedy: .remedy.id, readings_before: ($visit.readings | length)}]
    | tojson')
follow "$(jq -c '.readings + .readings_after_repair' "$oven")"
must_be released
get because
