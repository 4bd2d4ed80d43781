"""The same model in a maintained sampler: NUTS of numpyro. Run by itself, for it changes what ``np`` means.

The laws of ``droop`` are pure array functions: here they are traced by jax, which differentiates them in its
own way; prior and likelihood are numpyro's distributions. Prints mean and standard deviation of every
parameter of the first cell, as JSON, with the density at some points that tells of which model they are:

    python tests/tuning/nuts.py > tests/data/nuts.json

keeps them, so that the tests need not sample again until the model is another.
"""

from __future__ import annotations

import json
from importlib.metadata import version
from typing import Any

import numpy as np

from falsework.coupon.conditions import printed, support_condition
from falsework.coupon.reading import ConditionKind, LetGo, Reading
from falsework.process import load_process

PLA = load_process("pla-0.4")
MATERIALS = {PLA.material.name: PLA.material}
WARMUP, SAMPLES = 200, 600


def tray() -> list[Reading]:
    """A first tray of each test piece: 8 slopes, 8 bridges with and without fan, 8 supports."""
    found = []
    finishes = (5, 5, 4, 4, 3, 3, 2, 1)
    for angle, finish in zip(range(35, 75, 5), finishes, strict=True):
        found.append(
            Reading(
                "heron", "PLA", printed(ConditionKind.OVERHANG, PLA, angle_deg=float(angle)), finish=finish
            )
        )
    for fan, sags in ((1.0, (0.08, 0.28, 0.60, 1.30)), (0.0, (0.21, 0.95, 1.60, 3.60))):
        for span, sag in zip((15.0, 30.0, 45.0, 70.0), sags, strict=True):
            condition = printed(ConditionKind.BRIDGE, PLA, span_mm=span, fan=fan)
            found.append(Reading("heron", "PLA", condition, finish=3, droop_mm=sag))
    outcomes = (LetGo.FUSED, LetGo.SCRAPED, LetGo.HAND, LetGo.HAND)
    for dense, mark in ((2, 4), (0, 3)):
        for layers, let_go in enumerate(outcomes, 1):
            condition = support_condition(PLA, 24.0, air_gap_mm=0.2 * layers, interface_layers=dense)
            droop = round(0.05 + 0.12 * layers, 2)
            found.append(Reading("heron", "PLA", condition, let_go, mark if layers > 1 else 2, droop))
    return found


def told_apart(density: Any) -> list[float]:
    """The density at sixteen points, and the sum of the first cell's parameters there, in which those stand
    too of which these readings tell nothing: no other model has the same."""
    z = np.random.default_rng(16).standard_normal((16, len(density.columns)))
    values: list[float] = [
        *density.values(z, False).tolist(),
        *density.parameters(z.T)[0].sum(axis=0).tolist(),
    ]
    return values


def main() -> None:
    import jax
    import jax.numpy as jnp
    import numpyro
    import numpyro.distributions as dist
    from jax import random
    from numpyro.infer import MCMC, NUTS

    from falsework.droop import bond, bridge, outcome, overhang, smooth, strand, supported
    from falsework.droop.parameters import NAMES, Parameters
    from falsework.tuning import model
    from falsework.tuning.evidence import gathered

    jax.config.update("jax_enable_x64", True)
    cells, evidence = gathered(tray(), MATERIALS)
    density = model.Density(cells, evidence)
    points = told_apart(density)
    offsets = jnp.array(density.map.toarray())
    centres = jnp.array(density.parameters(np.zeros(len(density.columns))).ravel())
    for module in (bond, bridge, outcome, overhang, smooth, strand, supported, model):
        module.np = jnp  # type: ignore[attr-defined]
    model._BOND_READ = jnp.array(model._BOND_READ)  # picked from by arrays of jax

    def graded(name, quality, grading, grades):
        cuts = jnp.stack([jnp.broadcast_to(c, quality.shape) for c in grading.cuts], axis=-1)
        scaled = dist.OrderedLogistic(quality / grading.scatter, cuts / grading.scatter[..., None])
        # a share of grades says nothing
        chances = (1.0 - model.OUTLIERS) * scaled.probs + model.OUTLIERS / (cuts.shape[-1] + 1)
        told = dist.CategoricalProbs(chances).mask(grades >= 0)
        numpyro.sample(name, told, obs=jnp.maximum(grades, 0))

    def joint():
        z = numpyro.sample("z", dist.Normal(0, 1).expand([len(density.columns)]).to_event(1))
        values = (centres + offsets @ z).reshape(len(cells), len(NAMES))
        for part in evidence:
            own = values[part.cell]
            p = Parameters(**{name: own[:, k] for k, name in enumerate(NAMES)})
            found = model.outcome(part.laid, p, False, part.let_go)
            kind = part.laid.kind.value
            graded(f"{kind} finish", found.finish, outcome.finish_grading(p), part.finish)
            if found.bond is not None:
                graded(f"{kind} let-go", -found.bond, outcome.let_go_grading(p), part.let_go)
            measured = ~jnp.isnan(part.droop_mm)
            error = dist.StudentT(
                model.FREEDOM, found.droop_mm, jnp.sqrt(model.read_error_mm2(found, part.laid.kind))
            )
            droop = jnp.where(measured, part.droop_mm, 0.0)
            numpyro.sample(f"{kind} droop", error.mask(measured), obs=droop)

    sampler = MCMC(NUTS(joint), num_warmup=WARMUP, num_samples=SAMPLES, progress_bar=False)
    sampler.run(random.PRNGKey(1))
    z = np.asarray(sampler.get_samples()["z"])
    drawn = (np.asarray(centres) + z @ np.asarray(offsets).T)[:, : len(NAMES)]
    by = ", ".join(f"{name} {version(name)}" for name in ("numpyro", "jax"))
    told = {
        "by": by,
        "density": points,
        "mean": drawn.mean(axis=0).tolist(),
        "sd": drawn.std(axis=0).tolist(),
    }
    print(json.dumps(told))


if __name__ == "__main__":
    main()
