"""The routes of a service, and their description by the OpenAPI specification, version 3.1.0, made from the same table.

Keys of the description: OpenAPI Specification 3.1.0 (OpenAPI Initiative, 2021), sections 4.8.1 to 4.8.17; numbers from memory.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from holo import __version__
from holo.serve import Refusal, Reply, Request

Answer = Callable[[Request, Mapping[str, str]], Awaitable[Reply]]
"""Answers a request, given the variable parts of its path by name."""

MEANING = {
    200: "Done.",
    201: "Made; Location says where it is.",
    400: "The request is wrong; the message says what was found and what is allowed.",
    401: "The token is missing or wrong.",
    404: "There is no such thing.",
    409: "It cannot be done as things are: the name is taken, atoms cannot be brought there, or the service was started without it.",
    413: "The body is too large.",
    415: "The body is not called application/json.",
    503: "Busy, stopping, or a served file is damaged; Retry-After says when to come again.",
}
"""What a status says, whatever the route."""


@dataclass(frozen=True)
class Route:
    """One thing that can be asked.

    Attributes
    ----------
    method : str
    path : str
        With variable parts in braces, as ``/masks/{name}``.
    summary : str
    answer : callable
    statuses : tuple of int
        That it may be answered with, of `MEANING`; those of every route (401, 503) are left out.
    kinds : tuple of str
        Media types of its answer.
    query : mapping of str to (mapping, str)
        JSON schema of each parameter of the query, and what it says.
    body : mapping or None
        JSON schema of the body; None for a request without one.
    """

    method: str
    path: str
    summary: str
    answer: Answer
    statuses: tuple[int, ...] = (200,)
    kinds: tuple[str, ...] = ("application/json",)
    query: Mapping[str, tuple[Mapping[str, Any], str]] = field(default_factory=dict)
    body: Mapping[str, Any] | None = None


def found_route(routes: Iterable[Route], request: Request) -> tuple[Route, dict[str, str]]:
    """Find the route that a request asks for, and the variable parts of its path.

    Parameters
    ----------
    routes : iterable of Route
        In the order in which they are tried.
    request : Request
        Method, path and query count.

    Returns
    -------
    route : Route
    variable : dict of str to str
        What stands for each ``{name}`` of its path.

    Raises
    ------
    Refusal
        404 for a path that there is not, 405 for a method that it does not have, 400 for a parameter of the query that it does not take.
    """
    methods = set()
    for route in routes:
        variable = _matched(route.path, request.parts)
        if variable is None:
            continue
        if route.method == request.method:
            for name in request.query:
                if name not in route.query:
                    raise Refusal(400, f"query: found {name[:80]!r}; allowed: {', '.join(route.query) or 'nothing'}")
            return route, variable
        methods.add(route.method)
    if methods:
        raise Refusal(405, f"found {request.method}; allowed: {', '.join(sorted(methods))}", Allow=", ".join(sorted(methods)))
    known = ", ".join(sorted({route.path for route in routes}))
    raise Refusal(404, f"path: found {'/' + '/'.join(request.parts)!r:.200}; allowed: {known}")


def _matched(path: str, parts: tuple[str, ...]) -> dict[str, str] | None:
    """Variable parts of a path, or None if it is another."""
    wanted = [part for part in path.split("/") if part]
    if len(wanted) != len(parts):
        return None
    pairs = list(zip(wanted, parts, strict=True))
    if any(not one.startswith("{") and one != other for one, other in pairs):
        return None
    return {one[1:-1]: other for one, other in pairs if one.startswith("{")}


def description(routes: Iterable[Route], title: str, token: bool) -> dict[str, Any]:
    """Describe routes as an OpenAPI document.

    Parameters
    ----------
    routes : iterable of Route
    title : str
    token : bool
        Whether a token is asked for.

    Returns
    -------
    dict
        JSON-compatible.
    """
    paths: dict[str, dict[str, Any]] = {}
    for route in routes:
        paths.setdefault(route.path, {})[route.method.lower()] = _operation(route, token)
    error = {"type": "object", "properties": {"error": {"type": "string"}}, "required": ["error"]}
    security = {"securitySchemes": {"token": {"type": "http", "scheme": "bearer"}}} if token else {}
    return {
        "openapi": "3.1.0",
        "info": {"title": title, "version": __version__},
        **({"security": [{"token": []}]} if token else {}),
        "paths": paths,
        "components": {"schemas": {"Error": error}, **security},
    }


def _operation(route: Route, token: bool) -> dict[str, Any]:
    variable = [{"name": name, "in": "path", "required": True, "schema": {"type": "string"}} for name in re.findall(r"{(\w+)}", route.path)]
    query = [{"name": name, "in": "query", "schema": dict(schema), "description": says} for name, (schema, says) in route.query.items()]
    body = {} if route.body is None else {"requestBody": {"required": True, "content": {"application/json": {"schema": dict(route.body)}}}}
    statuses = sorted({*route.statuses, *((401,) if token else ()), *((400, 413, 415) if body else ()), 503})
    return {
        "operationId": f"{route.method.lower()}{re.sub(r'[^a-z]+', '_', route.path)}".rstrip("_"),
        "summary": route.summary,
        **({"parameters": variable + query} if variable or query else {}),
        **body,
        "responses": {str(status): _response(route, status) for status in statuses},
    }


def _response(route: Route, status: int) -> dict[str, Any]:
    content: dict[str, Any] = {kind: {} for kind in route.kinds}
    if status >= 400:
        content = {"application/json": {"schema": {"$ref": "#/components/schemas/Error"}}}
    return {"description": MEANING[status], "content": content}
