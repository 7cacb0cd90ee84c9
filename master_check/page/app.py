"""The page's addresses: what is open, its parts and pictures, its sound; all below the token that `Guard` asks for."""

import json
from collections.abc import Awaitable, Callable, Mapping
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from master_check import __version__
from master_check.judgement.profile import Profile, ProfileError
from master_check.judgement.profile_files import available, copied, find, load_profile
from master_check.limiting.preview import PlanPreview
from master_check.output import OutputError
from master_check.page import profile_text
from master_check.page.guard import App, Guard, TooLarge
from master_check.page.opened import Opened
from master_check.page.pair import Pair
from master_check.page.session import Refusal, Session, Task
from master_check.report import html, page
from master_check.report.pictures import minus
from master_check.report.wording import page as words
from master_check.report.wording.plan import summary
from master_check.selftest.run import remembered

LONGEST_S: Final = 10.0
"""Of sound in one answer."""

ASSETS: Final = {
    path.name: path.read_bytes() for path in sorted((Path(__file__).parent / "assets").iterdir()) if path.is_file()
} | {"style.css": (Path(html.__file__).parent / "templates" / "style.css").read_bytes()}

TYPES: Final = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}

Answer = Callable[[Request], Awaitable[Response]]


def application(session: Session, token: str, port: int, end: Callable[[], None]) -> App:
    """The page of one session.

    Parameters
    ----------
    session : Session
    token : str
        First part of every address.
    port : int
        That it is served on.
    end : callable
        Ends the server.
    """
    page_ = _Page(session, end)
    get, post = partial(Route, methods=["GET"]), partial(Route, methods=["POST"])
    routes = [
        get("/", page_.whole),
        get("/assets/{name}", page_.asset),
        get("/state", page_.state),
        post("/files", page_.bring),
        post("/files/{number:int}/close", page_.close_file),
        get("/files/{number:int}/part", page_.part),
        get("/files/{number:int}/drawn", page_.drawn),
        get("/files/{number:int}/tiles/{what}/{level:int}/{index:int}", page_.tile),
        get("/sounds/{name}", page_.sound),
        post("/profiles/chosen", page_.choose),
        get("/profiles/{name}", page_.profile),
        post("/profiles/faults", page_.faults),
        post("/profiles/save", page_.save),
        post("/pair", page_.begin_pair),
        post("/pair/end", page_.end_pair),
        post("/album", page_.begin_album),
        get("/album", page_.album),
        post("/plan", page_.begin_plan),
        get("/plan", page_.plan),
        post("/plan/solve", page_.solve),
        get("/report", page_.report),
        post("/end", page_.end),
    ]
    handlers: dict[Any, Any] = {
        Refusal: lambda request, error: JSONResponse({"error": str(error)}, 409),
        ProfileError: lambda request, error: JSONResponse({"error": " ".join(error.lines)}, 409),
        OutputError: lambda request, error: JSONResponse({"error": str(error)}, 409),
        TooLarge: lambda request, error: JSONResponse({"error": words.TOO_LARGE}, 413),
        _Wrong: lambda request, error: JSONResponse({"error": str(error)}, 400),
    }
    return Guard(Starlette(routes=routes, exception_handlers=handlers), token, port)


class _Wrong(Exception):
    """A request that the page does not make."""


class _Page:
    """What is answered; everything that takes time runs in threads, so that sound is never kept waiting."""

    def __init__(self, session: Session, end: Callable[[], None]) -> None:
        self._session, self._end = session, end

    async def whole(self, request: Request) -> Response:
        own = [(profile.name, profile.title) for profile in self._session.given.values()]
        titles = await run_in_threadpool(profile_titles)
        return HTMLResponse(page.whole(__version__, remembered(), sorted(dict([*titles, *own]).items())))

    async def asset(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in ASSETS:
            return Response("no such page", 404)
        return Response(ASSETS[name], media_type=TYPES[Path(name).suffix])

    async def state(self, request: Request) -> Response:
        """What is open, and how far everything is; asked for again and again while something is going on."""
        return JSONResponse(await run_in_threadpool(self._state))

    def _state(self) -> dict[str, Any]:
        session = self._session
        pair, plan, album = session.pair, session.plan, session.album
        return {
            "files": [self._file(opened) for opened in list(session.files.values())],
            "profiles": [
                {"name": p.name, "title": p.title, "plans": p.target_lufs() is not None} for p in session.profiles
            ],
            "pair": _task(pair) | self._pair(pair.result) if pair else None,
            "plan": _task(plan) | self._planned(plan) if plan else None,
            "album": _task(album) if album else None,
        }

    def _file(self, opened: Opened) -> dict[str, Any]:
        row = page.row(self._session.checked(opened), opened.name)
        return row | {
            "number": opened.number,
            "state": opened.state,
            "state_words": words.STATES[opened.state],
            "share": round(opened.share, 3),
        }

    def _pair(self, pair: Pair | None) -> dict[str, Any]:
        if pair is None:
            return {}
        names = [self._session.files[number].name for number in (pair.first, pair.second)]
        return {
            "first_gain_db": pair.first_gain_db,
            "second_gain_db": pair.second_gain_db,
            "rate": pair.placed.rate,
            "frames": pair.placed.frames,
            "lines": [
                minus(line)
                for line in words.pair_lines(
                    names[0], names[1], pair.alignment, pair.first_gain_db, pair.second_gain_db
                )
            ],
        }

    def _planned(self, plan: Task) -> dict[str, Any]:
        found = plan.result
        if not isinstance(found, PlanPreview):
            return {}
        return {"lowest": found.lowest_lufs, "highest": found.highest_lufs, "target": found.target_lufs}

    async def bring(self, request: Request) -> Response:
        """A dropped file: kept in the session's folder until it is closed."""
        place = self._session.place(request.query_params.get("name", "sound"))
        try:
            with place.open("xb") as file:
                async for piece in request.stream():
                    await run_in_threadpool(file.write, piece)
        except OSError as error:
            place.unlink(missing_ok=True)
            raise Refusal(
                f"cannot be kept in {place.parent.parent} ({error.strerror}); make room or set TMPDIR"
            ) from None
        except ClientDisconnect:
            place.unlink(missing_ok=True)
            raise Refusal(words.NOT_BROUGHT) from None
        except BaseException:
            place.unlink(missing_ok=True)
            raise
        return JSONResponse({"number": self._session.open(place).number})

    async def close_file(self, request: Request) -> Response:
        number = request.path_params["number"]
        if number not in self._session.files:
            raise Refusal("there is no such file")
        await run_in_threadpool(self._session.close_file, number)
        return JSONResponse({})

    async def part(self, request: Request) -> Response:
        opened = self._session.files.get(request.path_params["number"])
        if opened is None or opened.state not in ("ready", "failed"):
            raise Refusal("there is no such file, or it is not measured yet")
        checked = self._session.checked(opened)
        return HTMLResponse(await run_in_threadpool(page.file_part, opened.number, checked, self._session.profiles))

    async def drawn(self, request: Request) -> Response:
        opened = self._session.ready(request.path_params["number"])
        assert opened.measurement and opened.waveform and opened.momentary and opened.short_term and opened.kept
        found = await run_in_threadpool(
            page.drawn, opened.measurement, self._session.checked(opened), self._session.profiles
        )
        levels = {
            "waveform": opened.waveform.levels,
            "momentary": opened.momentary.levels,
            "short_term": opened.short_term.levels,
        }
        return JSONResponse(found | {"levels": levels, "frames": opened.kept.frames})

    async def tile(self, request: Request) -> Response:
        given = request.path_params
        opened = self._session.ready(given["number"])
        curves = {"waveform": opened.waveform, "momentary": opened.momentary, "short_term": opened.short_term}
        curve = curves.get(given["what"])
        if curve is None:
            raise Refusal("there is no such curve")
        try:
            found = await run_in_threadpool(curve.tile, given["level"], given["index"])
        except (IndexError, ValueError):  # the file was closed meanwhile
            raise Refusal("there is no such part of it") from None
        return _floats(found)

    async def sound(self, request: Request) -> Response:
        """Samples from `start` to `stop`, a row for each of one or two channels: little-endian float32."""
        sound = self._session.sound(request.path_params["name"])
        start, stop = (_whole(request.query_params.get(key)) for key in ("start", "stop"))
        stop = min(stop, sound.frames)
        if stop - start > LONGEST_S * sound.rate:
            raise _Wrong(f"at most {LONGEST_S:g} s at a time")
        try:
            frames = await run_in_threadpool(sound.read, start, max(start, stop))
        except ValueError:  # the file was closed meanwhile
            raise Refusal("there is no such file") from None
        return _floats(frames.T)

    async def choose(self, request: Request) -> Response:
        names = (await _body(request)).get("names")
        if not isinstance(names, list) or not all(isinstance(name, str) and "/" not in name for name in names):
            raise _Wrong("names of profiles are expected")
        self._session.choose(await run_in_threadpool(lambda: list(map(self._session.profile, names))))
        return JSONResponse({})

    async def profile(self, request: Request) -> Response:
        name = request.path_params["name"]
        return JSONResponse(await run_in_threadpool(_profile_text, name))

    async def faults(self, request: Request) -> Response:
        text = await _text(request)
        found = await run_in_threadpool(profile_text.faults, text)
        return JSONResponse({"faults": [{"line": fault.line, "words": fault.words} for fault in found]})

    async def save(self, request: Request) -> Response:
        body = await _body(request)
        name, text = body.get("name"), body.get("text")
        if not isinstance(name, str) or not isinstance(text, str):
            raise _Wrong("a name and a text are expected")
        place = await run_in_threadpool(profile_text.save, name, text, bool(body.get("replace")))
        self._session.given.pop(name, None)  # those in use may be the ones that were changed
        self._session.choose([self._session.profile(p.name) for p in self._session.profiles])
        return JSONResponse({"path": str(place)})

    async def begin_pair(self, request: Request) -> Response:
        body = await _body(request)
        self._session.begin_pair(_number(body, "first"), _number(body, "second"))
        return JSONResponse({})

    async def end_pair(self, request: Request) -> Response:
        self._session.pair = None
        return JSONResponse({})

    async def begin_album(self, request: Request) -> Response:
        self._session.begin_album()
        return JSONResponse({})

    async def album(self, request: Request) -> Response:
        task = self._session.album
        if task is None or task.result is None:
            raise Refusal("not looked at as an album")
        return HTMLResponse(await run_in_threadpool(page.album_part, task.result))

    async def begin_plan(self, request: Request) -> Response:
        body = await _body(request)
        names = [p for p in self._session.profiles if p.name == body.get("profile")]
        if not names:
            raise Refusal("choose that profile first")
        self._session.begin_plan(_number(body, "number"), names[0])
        return JSONResponse({})

    async def plan(self, request: Request) -> Response:
        task = self._session.plan
        if task is None or not isinstance(task.result, PlanPreview):
            raise Refusal("nothing is planned yet")
        found = task.result
        try:
            target = float(request.query_params.get("target", ""))
        except ValueError:
            raise _Wrong("a target in LUFS is expected") from None
        target = min(max(target, found.lowest_lufs), found.highest_lufs) if target == target else found.target_lufs
        by = [await run_in_threadpool(found.at, target, detection) for detection in ("true_peak", "sample_peak")]
        return JSONResponse(page.plan_part(target, by[0], by[1], found.limit_dbtp))

    async def solve(self, request: Request) -> Response:
        """The plan itself for one target, as `sendoff plan` has it."""
        target = (await _body(request)).get("target")
        if not isinstance(target, int | float):
            raise _Wrong("a target in LUFS is expected")
        found = await run_in_threadpool(self._session.solve, float(target))
        return JSONResponse({"lines": [minus(line) for line in summary(found)]})

    async def report(self, request: Request) -> Response:
        """The report of `check`, or of `album` where the files were looked at as one, to be saved."""
        session = self._session
        files = [session.checked(f) for f in session.files.values() if f.state in ("ready", "failed")]
        if not files:
            raise Refusal("nothing is measured yet")
        checksums = {file.path: file.sha256 for file in files if file.sha256}
        known: dict[str, Any] = {
            "version": __version__,
            "date": datetime.now().astimezone(),
            "selftest": remembered(),
        }
        profiles: tuple[Profile, ...] = session.profiles
        found = session.album.result if session.album else None
        if found is not None:
            text = await run_in_threadpool(lambda: html.album_page(found, profiles, **known))
        else:
            text = await run_in_threadpool(lambda: html.check_page(files, profiles, checksums=checksums, **known))
        return HTMLResponse(text, headers={"Content-Disposition": 'attachment; filename="report.html"'})

    async def end(self, request: Request) -> Response:
        self._end()
        return JSONResponse({})


def profile_titles() -> list[tuple[str, str]]:
    """Name and title of every profile that can be used."""
    found = []
    for name in available():
        try:
            found.append((name, load_profile(name).title))
        except ProfileError:
            continue
    return found


def _profile_text(name: str) -> dict[str, str]:
    if name not in available():
        raise ProfileError(name, ["no such profile"])
    path = find(name)
    return {"text": copied(path, name), "path": str(path)}


def _task(task: Task) -> dict[str, Any]:
    return {"about": list(task.about), "share": round(task.share, 3), "done": task.done, "error": task.error}


def _floats(values: Any) -> Response:
    return Response(np.ascontiguousarray(values, "<f4").tobytes(), media_type="application/octet-stream")


def _whole(text: str | None) -> int:
    if text is None or not text.isdecimal() or len(text) > 15:
        raise _Wrong("a number of a sample is expected")
    return int(text)


def _number(body: Mapping[str, Any], key: str) -> int:
    value = body.get(key)
    if not isinstance(value, int):
        raise _Wrong(f"{key}: a number is expected")
    return value


async def _body(request: Request) -> dict[str, Any]:
    try:
        found = json.loads(await request.body())
    except (ValueError, RecursionError):
        raise _Wrong("JSON is expected") from None
    if not isinstance(found, dict):
        raise _Wrong("a JSON object is expected")
    return found


async def _text(request: Request) -> str:
    text = (await _body(request)).get("text")
    if not isinstance(text, str) or len(text) > profile_text.LONGEST:
        raise _Wrong("a text is expected, not too long")
    return text
