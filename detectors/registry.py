"""All flight detectors: one module each in `detectors/flight`, found by walking the folder."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterable
from types import ModuleType

from trimkeep.detectors import flight as folder
from trimkeep.detectors.model import Detector, DetectorSpec


class RegistryError(Exception):
    """A detector module that breaks the rules: our own mistake, not a user's."""


def load_registry() -> tuple[Detector, ...]:
    """Every detector, by id.

    Raises
    ------
    RegistryError
        A module without `SPEC` or `observe`, an id unlike its file's name, or a metric of two detectors.
    """
    names = sorted(module.name for module in pkgutil.iter_modules(folder.__path__))
    return detectors_of(importlib.import_module(f"{folder.__name__}.{name}") for name in names)


def detectors_of(modules: Iterable[ModuleType]) -> tuple[Detector, ...]:
    """The detectors of these modules, by id; `RegistryError` as for `load_registry`."""
    found: dict[str, Detector] = {}
    owners: dict[str, str] = {}
    for module in modules:
        detector = _detector(module)
        spec = detector.spec
        if spec.id in found:
            raise RegistryError(f"{module.__name__}: the id {spec.id} is taken by another module")
        for metric in spec.metrics:
            if metric.name in owners:
                raise RegistryError(
                    f"{module.__name__}: the metric {metric.name} belongs to {owners[metric.name]}"
                )
            owners[metric.name] = spec.id
        found[spec.id] = detector
    return tuple(found[name] for name in sorted(found))


def _detector(module: ModuleType) -> Detector:
    spec, observe = getattr(module, "SPEC", None), getattr(module, "observe", None)
    if not isinstance(spec, DetectorSpec):
        raise RegistryError(f"{module.__name__}: SPEC, a DetectorSpec, is missing")
    if not callable(observe):
        raise RegistryError(f"{module.__name__}: observe(flight) is missing")
    file_name = module.__name__.rsplit(".", 1)[-1]
    if spec.id != file_name:
        raise RegistryError(f"{module.__name__}: the id {spec.id} is not the file's name")
    return Detector(spec, observe)


DETECTORS: tuple[Detector, ...] = load_registry()


def all_detectors() -> tuple[Detector, ...]:
    """The detectors found when the program started; picklable by name, for worker processes."""
    return DETECTORS
