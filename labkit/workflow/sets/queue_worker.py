"""Works through a queue of sets: as many at once as there are processes, until told to stop."""

from __future__ import annotations

import asyncio
import dataclasses
import logging
import signal
import time
from collections.abc import Awaitable, Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NoReturn

from labkit.errors import LedgerError
from labkit.workflow.sets.batch import LOST, Outcome, pool_of
from labkit.workflow.sets.queue import PUT_OUTCOME, TASK, Asked, Queue, asked_of

if TYPE_CHECKING:
    from procrastinate import App, JobContext
    from procrastinate.jobs import Job

#: A worker says so often that it lives; one that said nothing for so long has lost its sets, which
#: others take up.
HEARTBEAT_SECONDS = 5.0
STALLED_SECONDS = 30.0
#: A set that broke off, or whose worker was lost, is tried again, as often and after so long.
MOST_TRIES = 10
TRY_AGAIN_SECONDS = 10
#: A worker whose host cannot make a set leaves the queue to the others for so long.
PAUSE_SECONDS = 30.0
_LOOK_SECONDS = 2.0
_OTHER_VERSION = "another version of labkit asked for it; give this host the same"
#: What is put back was not tried, so the try that the engine adds is taken off; it waits behind
#: the others, so that a set that no host can make keeps none from being made.
_PUT_BACK = (
    "UPDATE procrastinate_jobs SET attempts = attempts - 1, priority = priority - 1 "
    "WHERE id = %(id)s"
)


@dataclass(frozen=True)
class Work:
    """What a worker does.

    Args:
        make: Makes a set, in a process of its own; raises nothing of its own. What becomes
            "waiting" cannot be made on this host now, and is left to others.
        told: Told of each set that is done for good.
        say: Told in a sentence what holds the worker up.
        once: Whether it ends when nothing waits or is at work anywhere.
    """

    queue: Queue
    make: Callable[[Asked], Outcome]
    processes: int
    told: Callable[[Outcome], None]
    say: Callable[[str], None]
    once: bool


class _AgainError(Exception):
    """A set that is to be tried again."""


class _NotHereError(_AgainError):
    """A set that this host cannot make."""


def work_through(work: Work) -> None:
    """Make what waits in a queue, until a signal to stop; sets at work are finished first.

    A database that goes away is waited for.
    """
    for name in ("procrastinate", "psycopg.pool", "asyncio"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    worker = _Worker(work)
    told = False
    try:
        while not worker.is_done:
            try:
                with work.queue.told():
                    work.queue.begin()
                    asyncio.run(worker.work())
                told = False
            except LedgerError as error:
                if not told:
                    work.say(f"{error}; trying again until it can")
                told = True
            if not worker.is_done:
                time.sleep(_LOOK_SECONDS)
    finally:
        worker.pool.shutdown(cancel_futures=True)


class _Worker:
    def __init__(self, work: Work) -> None:
        self._work = work
        self.pool = self._new_pool()
        self.is_done = False
        self._is_to_pause = False
        self._reason: tuple[str, ...] = ()

    def _new_pool(self) -> ProcessPoolExecutor:
        return pool_of(self._work.processes, _leave_signals)

    async def work(self) -> None:
        """Work until told to stop, until nothing is left, or until the database is gone."""
        from procrastinate.signals import on_stop

        app = self._app()
        async with app.open_async():
            side = asyncio.create_task(_take_up_stalled(app))
            main = asyncio.create_task(self._run(app))
            side.add_done_callback(lambda _: main.cancel())

            def stop() -> None:
                self.is_done = True
                main.cancel()

            try:
                with on_stop(stop), suppress(asyncio.CancelledError):
                    await main
            finally:
                side.cancel()
            with suppress(asyncio.CancelledError):
                await side  # what ended it early is told

    async def _run(self, app: App) -> None:
        while not self.is_done:
            self._is_to_pause = False
            await app.run_worker_async(
                name=TASK, concurrency=self._work.processes, wait=not self._work.once,
                fetch_job_polling_interval=_LOOK_SECONDS, delete_jobs="successful",
                install_signal_handlers=False, update_heartbeat_interval=HEARTBEAT_SECONDS,
                stalled_worker_timeout=STALLED_SECONDS, worker_middleware=[self._process],
            )
            if self._is_to_pause:
                await self._pause()
            elif not self._work.once:
                return  # told to stop, or the database is gone
            elif not await _is_any_left(app):
                self.is_done = True
            else:
                await asyncio.sleep(_LOOK_SECONDS)

    async def _process(
        self, process: Callable[[], Awaitable[Any]], _: JobContext, worker: Any
    ) -> Any:
        """Take no further set after one that this host cannot make."""
        try:
            return await process()
        except _NotHereError:
            self._is_to_pause = True
            worker.stop()
            raise

    async def _pause(self) -> None:
        """Leave the queue to other hosts for a while; read anew what was put right here."""
        self.pool.shutdown(wait=False)
        self.pool = self._new_pool()
        await asyncio.sleep(PAUSE_SECONDS)

    def _app(self) -> App:
        from procrastinate import App, PsycopgConnector, RetryStrategy

        size = self._work.processes + 2
        app = App(connector=PsycopgConnector(
            conninfo=self._work.queue.conninfo, min_size=1, max_size=size, timeout=10
        ))
        again = RetryStrategy(wait=TRY_AGAIN_SECONDS, max_attempts=MOST_TRIES)

        @app.task(name=TASK, pass_context=True, retry=again)
        async def make(context: JobContext, /, **told: Any) -> None:
            await self._make(app, context, told)

        return app

    async def _make(self, app: App, context: JobContext, told: dict[str, Any]) -> None:
        asked = asked_of(told)
        if asked is None:
            case = context.job.lock or ""
            await self._put_back(app, context, Outcome("", case, "waiting", said=(_OTHER_VERSION,)))
        pool, loop = self.pool, asyncio.get_running_loop()
        try:
            outcome = await loop.run_in_executor(pool, self._work.make, asked)
        except BrokenProcessPool:
            if self.pool is pool:
                self.pool = self._new_pool()
            outcome = _lost(context.job)
        if outcome.state == "waiting":
            await self._put_back(app, context, outcome)
        if outcome.state == "broken off" and context.job.attempts + 1 < MOST_TRIES:
            raise _AgainError
        await _put_down(app, context.job, outcome)
        with suppress(OSError):  # a log that takes nothing keeps no set from being made
            self._work.told(outcome)

    async def _put_back(self, app: App, context: JobContext, outcome: Outcome) -> NoReturn:
        if outcome.said != self._reason:
            self._reason = outcome.said
            self._work.say(
                f"{outcome.case}: left to another host: {' '.join(outcome.said)}; this worker "
                f"looks again every {PAUSE_SECONDS:.0f} s"
            )
        await app.connector.execute_query_async(_PUT_BACK, id=context.job.id)
        raise _NotHereError


def _leave_signals() -> None:
    """Let the one signal that stops a worker and its processes leave these to finish their set."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)


async def _put_down(app: App, job: Job, outcome: Outcome) -> None:
    """Put down what became of a set, before its job ends: it is made again rather than lost."""
    kept = dataclasses.asdict(outcome)
    await app.connector.execute_query_async(
        PUT_OUTCOME, key=job.queueing_lock, outcome=kept
    )


async def _is_any_left(app: App) -> bool:
    found = await app.connector.execute_query_one_async(
        "SELECT EXISTS (SELECT FROM procrastinate_jobs WHERE status IN ('todo', 'doing')) AS is_any"
    )
    return bool(found["is_any"])


async def _take_up_stalled(app: App) -> None:
    """Let what a lost worker had at work wait again."""
    from procrastinate.exceptions import ConnectorException
    from procrastinate.jobs import Status

    manager = app.job_manager
    while True:
        # The database may be gone, or another worker was quicker.
        with suppress(ConnectorException):
            for job in await manager.get_stalled_jobs(seconds_since_heartbeat=STALLED_SECONDS):
                if job.attempts + 1 < MOST_TRIES:
                    await manager.retry_job(job)
                else:
                    await _put_down(app, job, _lost(job))
                    await manager.finish_job(job, Status.FAILED, delete_job=True)
        await asyncio.sleep(HEARTBEAT_SECONDS)


def _lost(job: Job) -> Outcome:
    """Give the outcome of a set whose process was lost each time; any version may have asked."""
    return Outcome(str(job.task_kwargs.get("file", "")), job.lock or "", "broken off", said=(LOST,))
