"""Works through a queue of sets: as many at once as there are processes, until told to stop."""

from __future__ import annotations

import asyncio
import dataclasses
import logging
import platform
import time
from collections.abc import Awaitable, Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NoReturn

from labkit.errors import LedgerError
from labkit.workflow.sets.batch import LOST, Outcome, pool_of
from labkit.workflow.sets.queue import (
    MOST_TRIES,
    PUT_BACK,
    PUT_MADE,
    PUT_OUTCOME,
    TASK,
    WAITS,
    Asked,
    Queue,
    asked_of,
)

if TYPE_CHECKING:
    from procrastinate import App, BaseRetryStrategy, JobContext
    from procrastinate.jobs import Job

#: A worker says so often that it lives; one that said nothing for so long has lost its sets, which
#: others take up.
HEARTBEAT_SECONDS = 5.0
STALLED_SECONDS = 30.0
#: A set that broke off, or whose worker was lost, is tried again after so long.
TRY_AGAIN_SECONDS = 10
#: A worker whose host can make none of what waits leaves the queue to the others for so long.
PAUSE_SECONDS = 30.0
#: What was put back counts as tried once in so much of a pause, however many hosts put it back.
_ROUND = 0.9
_LOOK_SECONDS = 2.0
_OTHER_VERSION = "another version of labkit asked for it; give this host the same"
#: What is put back did not break off, so the try that the engine adds is taken off; it waits
#: behind the others, so that a set that no host can make keeps none from being made.
_NOT_TRIED = (
    "UPDATE procrastinate_jobs SET attempts = attempts - 1, priority = priority - 1 "
    "WHERE id = %(id)s"
)
#: Counts what is not done, and what of it hosts put back too often; takes the `tries` for that.
_LEFT = (
    "SELECT (SELECT count(*) FROM procrastinate_jobs WHERE status IN ('todo', 'doing')) AS open, "
    f"(SELECT count(*) {WAITS} AND put.tries >= %(tries)s) AS given_up"
)


@dataclass(frozen=True)
class Work:
    """What a worker does.

    Args:
        make: Makes a set, in a process of its own; raises nothing of its own. What becomes
            "waiting" cannot be made on this host now, and is left to others.
        told: Told of each set that is done for good.
        say: Told in a sentence what holds the worker up.
        once: Whether it ends when nothing is at work anywhere, and nothing waits but what hosts put
            back too often.
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


def work_through(work: Work) -> int:
    """Make what waits in a queue, until a signal to stop; sets at work are finished first.

    A database that goes away is waited for.

    Returns:
        How many sets it left that hosts put back too often.
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
    return worker.left


class _Worker:
    def __init__(self, work: Work) -> None:
        self._work = work
        self.pool = self._new_pool()
        self.is_done = False
        self.left = 0
        self._is_to_pause = False
        self._put_back_before: set[int | None] = set()
        self._reason: tuple[str, ...] = ()

    def _new_pool(self) -> ProcessPoolExecutor:
        return pool_of(self._work.processes)

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
            self._put_back_before.clear()
            await app.run_worker_async(
                name=TASK, concurrency=self._work.processes, wait=not self._work.once,
                fetch_job_polling_interval=_LOOK_SECONDS, delete_jobs="successful",
                install_signal_handlers=False, update_heartbeat_interval=HEARTBEAT_SECONDS,
                stalled_worker_timeout=STALLED_SECONDS, worker_middleware=[self._process],
            )
            if self._work.once and not await self._is_any_left(app):
                self.is_done = True
            elif self._is_to_pause:
                await self._pause()
            elif not self._work.once:
                return  # told to stop, or the database is gone
            else:
                await asyncio.sleep(_LOOK_SECONDS)

    async def _process(
        self, process: Callable[[], Awaitable[Any]], _: JobContext, worker: Any
    ) -> Any:
        """Take no further set once nothing waits but what this host cannot make."""
        try:
            return await process()
        except _NotHereError:
            if self._is_to_pause:
                worker.stop()
            raise

    async def _pause(self) -> None:
        """Leave the queue to other hosts for a while; read anew what was put right here."""
        self.pool.shutdown(wait=False)
        self.pool = self._new_pool()
        await asyncio.sleep(PAUSE_SECONDS)

    def _app(self) -> App:
        from procrastinate import App, PsycopgConnector

        size = self._work.processes + 2
        app = App(connector=PsycopgConnector(
            conninfo=self._work.queue.conninfo, min_size=1, max_size=size, timeout=10
        ))

        @app.task(name=TASK, pass_context=True, retry=_retry())
        async def make(context: JobContext, /, **told: Any) -> None:
            await self._make(app, context, told)

        return app

    async def _make(self, app: App, context: JobContext, told: dict[str, Any]) -> None:
        asked = asked_of(told)
        if context.job.id in self._put_back_before:
            self._is_to_pause = True
            await app.connector.execute_query_async(_NOT_TRIED, id=context.job.id)
            raise _NotHereError
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
        with suppress(OSError):  # an output that takes nothing keeps no set from being made
            self._work.told(outcome)

    async def _put_back(self, app: App, context: JobContext, outcome: Outcome) -> NoReturn:
        if outcome.said != self._reason:
            self._reason = outcome.said
            self._work.say(
                f"{outcome.case}: left to another host: {' '.join(outcome.said)}; this worker "
                f"looks again every {PAUSE_SECONDS:.0f} s"
            )
        job, here = context.job, f"{platform.node()}: {' '.join(outcome.said)}"
        self._put_back_before.add(job.id)
        await app.connector.execute_query_async(_NOT_TRIED, id=job.id)
        await app.connector.execute_query_async(
            PUT_BACK, key=job.queueing_lock, seconds=_ROUND * PAUSE_SECONDS,
            outcome=dataclasses.asdict(dataclasses.replace(outcome, said=(here,))),
        )
        raise _NotHereError

    async def _is_any_left(self, app: App) -> bool:
        """Tell whether a host may still make something; count what they put back too often."""
        found = await app.connector.execute_query_one_async(_LEFT, tries=MOST_TRIES)
        self.left = found["given_up"]
        return bool(found["open"] > self.left)


async def _put_down(app: App, job: Job, outcome: Outcome) -> None:
    """Put down what became of a set, before its job ends: it is made again rather than lost."""
    kept = dataclasses.asdict(outcome)
    await app.connector.execute_query_async(
        PUT_OUTCOME, key=job.queueing_lock, outcome=kept
    )
    if outcome.state == "made":
        await app.connector.execute_query_async(PUT_MADE)


def _retry() -> BaseRetryStrategy:
    """Say when a set is tried again: what this host cannot make, another may at once."""
    from procrastinate import BaseRetryStrategy, RetryDecision

    class Retry(BaseRetryStrategy):
        def get_retry_decision(self, *, exception: BaseException, job: Job) -> RetryDecision | None:
            wait = 0 if isinstance(exception, _NotHereError) else TRY_AGAIN_SECONDS
            return RetryDecision(retry_in={"seconds": wait}) if job.attempts < MOST_TRIES else None

    return Retry()


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
