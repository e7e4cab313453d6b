#!/usr/bin/env bash
# Checks a running daemon's API against its own description: tests/browser/contract.sh http://127.0.0.1:PORT
# Needs schemathesis from PyPI.
set -euo pipefail
schemathesis run "$1/api/v1/openapi.json" --url "$1" --phases examples,coverage,fuzzing --max-examples "${CASES:-20}" \
    --checks not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance \
    --exclude-path /api/v1/events
