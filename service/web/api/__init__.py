"""The JSON API under /api/v1: what the pages show, and a verdict on request. Its OpenAPI document is at
/api/v1/openapi.json; faults are problem details (RFC 9457)."""
