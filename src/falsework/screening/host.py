"""The embedded cluster: a process of its own that holds Dask's scheduler and the nannies of its workers.

Started with ``python -m falsework.screening.host``. It answers with one line on stdout and ends, with all it
started, when its stdin closes; so nothing is left behind by a client that is killed, nothing of the caller's
program is imported anew, and signals of the terminal reach the client alone. Workers are forked from a
process that has everything imported already. The scheduler speaks TLS with a certificate made for this run:
others on the machine cannot send it work.
"""

from __future__ import annotations

import base64
import json
import multiprocessing
import os
import pickle
import select
import shutil
import signal
import sys
import tempfile
from multiprocessing import forkserver
from typing import Any

PRELOADED = (
    "distributed",
    "falsework.part.reading",
    "falsework.planning.pipeline",
    "falsework.screening.measuring",
    "falsework.screening.forked",
)
SETTINGS = {
    "distributed.worker.multiprocessing-method": "forkserver",
    "distributed.scheduler.allowed-failures": 0,  # who dies is told at once: the client tries it alone
    "distributed.scheduler.worker-saturation": 1.0,  # what waits, waits at the scheduler: it dies with nobody
    "distributed.scheduler.work-stealing": False,
    "distributed.worker.memory.target": False,  # results are small and leave at once: nothing to spill
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": 0.95,
    "distributed.nanny.pre-spawn-environ.MALLOC_TRIM_THRESHOLD_": 65536,
    "distributed.admin.log-length": 1000,
    "distributed.worker.profile.enabled": False,  # a look at every thread a hundred times a second
    "distributed.admin.low-level-log-length": 100,  # what became of each task: nobody asks it here
}
FORGET_S = 10.0
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


def main(workers: int, memory_bytes: int, depth: str) -> None:
    """Hold a cluster for work of a depth until stdin closes."""
    os.environ["FALSEWORK_SCREENING_DEPTH"] = depth  # told to where workers are forked from
    multiprocessing.set_forkserver_preload(list(PRELOADED))
    forkserver.ensure_running()  # it loads the kernels while Dask is loaded here
    answers = os.fdopen(os.dup(1), "w", encoding="ascii")
    os.dup2(2, 1)  # whatever prints must not print into the answer
    scratch = tempfile.mkdtemp(prefix="falsework-screen-")
    try:
        _hold(workers, memory_bytes, scratch, answers)
    except Exception as error:
        reason = (str(error).strip().splitlines() or [""])[0]
        answers.write(json.dumps({"error": f"{type(error).__name__}: {reason}"}) + "\n")
        answers.flush()
        if os.environ.get("FALSEWORK_TRACEBACK"):
            raise
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
        os.killpg(0, signal.SIGKILL)  # with every worker; this process leads its group


def _hold(workers: int, memory_bytes: int, scratch: str, answers: Any) -> None:
    import dask
    from dask.utils import key_split
    from distributed import LocalCluster
    from distributed.utils import get_mp_context

    dask.config.set(SETTINGS)
    get_mp_context().set_forkserver_preload(list(PRELOADED))
    cluster = LocalCluster(
        n_workers=workers,
        threads_per_worker=1,
        processes=True,
        memory_limit=memory_bytes or 0,
        host="127.0.0.1",
        protocol="tls://",
        security=True,
        dashboard_address="127.0.0.1:0",
        local_directory=scratch,
        silence_logs=50,
    )
    told = {
        "address": cluster.scheduler_address,
        "dashboard": cluster.dashboard_link,
        "security": base64.b64encode(pickle.dumps(cluster.security)).decode("ascii"),
    }
    answers.write(json.dumps(told) + "\n")
    answers.flush()
    while not select.select([sys.stdin], [], [], FORGET_S)[0]:
        key_split.cache_clear()  # it would keep the last hundred thousand tasks' keys, 40 MB


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3])
