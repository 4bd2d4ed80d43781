"""Screens a catalogue on a SLURM cluster; run where jobs are submitted:

    python slurm.py 64 /shared/store --out /shared/screened --depth plan

The first number is how many workers are asked for; the rest is what 'falsework screen' takes. Needs
falsework[screen] and dask-jobqueue, in an environment that all nodes see.
"""

import subprocess
import sys

from dask_jobqueue import SLURMCluster

cluster = SLURMCluster(
    cores=1,  # of a job; as many processes, so that each worker has one thread
    processes=1,
    memory="4GB",
    walltime="08:00:00",
    death_timeout=120,
    scheduler_options={"dashboard_address": ":0"},
)
cluster.scale(jobs=int(sys.argv[1]))  # cluster.adapt(maximum_jobs=...) takes them as they are needed
screen = [
    sys.executable,
    "-m",
    "falsework",
    "screen",
    *sys.argv[2:],
    "--scheduler",
    cluster.scheduler_address,
]
sys.exit(subprocess.call(screen))
