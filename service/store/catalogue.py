"""Materials, schedules and kinds of flaw: read from YAML, checked, handed on as plain input.

What ships lies in ``service/data``; files of the same form in the shop's data folder
(``materials/*.yaml``, ``schedules/*.yaml``, ``flaws/*.yaml``) are added, and replace shipped ones
of the same id.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from service.science.drying import DryingLaw
from service.science.film import Blend
from service.shop.flaws import FlawKind
from service.shop.materials import Figure, Limits, Mark, Material
from service.shop.schedule import Schedule, Step
from service.store.flaw_file import parse_flaw_kind
from service.store.yaml_files import CatalogueError, Strict, parsed, yaml_files

__all__ = [
    "Catalogue",
    "CatalogueError",
    "Kind",
    "load_catalogue",
    "parse_material",
    "parse_schedule",
]

STEP_KINDS = (
    "seal", "scuff_sand", "mask", "tone", "burst", "clear_coat", "cure", "level_sand", "rub_out",
    "oil", "glue", "set_up",
)  # fmt: skip

Kind = Literal["material", "schedule"]
Id = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]
Hours = Annotated[float, Field(gt=0, le=24 * 365)]


@dataclass(frozen=True)
class Catalogue:
    """Everything that can be put on, and every order of steps.

    ``materials`` and ``schedules`` are as they hold now. What the shop wrote over them is kept by
    version, so that work begun under an earlier one goes on under it; version None is what was read
    from files.
    """

    materials: dict[str, Material]
    schedules: dict[str, Schedule]
    texts: dict[tuple[Kind, str], str] = field(default_factory=dict)
    """The YAML that holds now."""
    versions: dict[tuple[Kind, str, int | None], Material | Schedule] = field(default_factory=dict)
    current: dict[tuple[Kind, str], int] = field(default_factory=dict)
    flaw_kinds: dict[str, FlawKind] = field(default_factory=dict)
    """Kinds of flaw in the order in which they are listed."""

    def material_of(self, material_id: str, version: int | None) -> Material | None:
        """Return a material by the figures of a version; None where it is unknown."""
        found = self.versions.get(("material", material_id, version))
        return found if isinstance(found, Material) else self.materials.get(material_id)

    def schedule_of(self, schedule_id: str, version: int | None) -> Schedule | None:
        """Return a schedule as a version has it; None where it is unknown."""
        found = self.versions.get(("schedule", schedule_id, version))
        return found if isinstance(found, Schedule) else self.schedules.get(schedule_id)

    def check(self, entry: Material | Schedule) -> None:
        """See that an entry fits the others.

        Raises
        ------
        CatalogueError
            Where a schedule would name a mark or material that is not there.
        """
        if isinstance(entry, Schedule):
            _check_marks(entry, self.materials)
            return
        for schedule in self.schedules.values():
            _check_marks(schedule, self.materials | {entry.id: entry})

    def add(self, entry: Material | Schedule, text: str, version: int | None) -> None:
        """Let a material or schedule that was checked hold from now on, as one more version."""
        kind: Kind
        if isinstance(entry, Material):
            kind, self.materials[entry.id] = "material", entry
        else:
            kind, self.schedules[entry.id] = "schedule", entry
        self.texts[kind, entry.id] = text
        self.versions[kind, entry.id, version] = entry
        if version is not None:
            self.current[kind, entry.id] = version


class _Figure(Strict):
    value: float
    basis: str = Field(min_length=3)

    def plain(self) -> Figure:
        return Figure(self.value, self.basis)


class _Share(_Figure):
    value: float = Field(gt=0, le=1)


class _Mark(Strict):
    hours: Hours
    low: Hours | None = None
    high: Hours | None = None
    basis: str = Field(min_length=3)
    closes: Hours | None = None
    closes_basis: str = ""

    @model_validator(mode="after")
    def _ordered(self) -> _Mark:
        if not (self.low or self.hours) <= self.hours <= (self.high or self.hours):
            raise ValueError("needs low <= hours <= high")
        if self.closes is not None and self.closes <= (self.high or self.hours):
            raise ValueError("closes: a window that opens must be open for a while")
        if (self.closes is None) != (not self.closes_basis):
            raise ValueError("closes and closes_basis go together")
        return self

    def plain(self, name: str) -> Mark:
        return Mark(
            name=name,
            hours=self.hours,
            low_hours=self.low or self.hours,
            high_hours=self.high or self.hours,
            basis=self.basis,
            closes_hours=self.closes,
            closes_basis=self.closes_basis,
        )


class _Drying(Strict):
    reference_c: float = Field(ge=0, le=40)
    reference_rh_pct: float = Field(ge=0, le=100)
    reference_film_um: float = Field(gt=0, le=1000)
    activation_kj_mol: float = Field(gt=0, le=200)
    film_exponent: float = Field(ge=0, le=3)
    rh_per_pct: float = Field(ge=-0.1, le=0.1)
    basis: str = Field(min_length=3)


class _Limits(Strict):
    air_min_c: _Figure
    air_max_c: _Figure
    rh_max_pct: _Figure
    dew_point_margin_k: _Figure
    blush_margin_k: _Figure | None = None


class _Blend(Strict):
    method: str
    solids_pct: float
    polymer_density_kg_m3: float = 1200.0
    polymer_chi: float | None = 0.4
    water_chi: float = 2.5
    set_volume_fraction: float = 0.5
    solvents: dict[str, float]
    propellant: dict[str, float] = Field(default_factory=dict)
    basis: str = Field(min_length=3)

    @model_validator(mode="after")
    def _possible(self) -> _Blend:
        self.plain()  # the blend knows its own ranges and names what breaks them
        return self

    def plain(self) -> Blend:
        return Blend(
            solvents=tuple(self.solvents.items()),
            solids_pct=self.solids_pct,
            polymer_density_kg_m3=self.polymer_density_kg_m3,
            polymer_chi=self.polymer_chi,
            water_chi=self.water_chi,
            propellant=tuple(self.propellant.items()),
            method=self.method,
            set_volume_fraction=self.set_volume_fraction,
        )


class _Material(Strict):
    id: Id
    name: str = Field(min_length=1, max_length=120)
    family: str = Field(min_length=1, max_length=80)
    usual_wet_um: float = Field(gt=0, le=1000)
    retarder: str | None = None
    blend: _Blend | None = None
    drying: _Drying
    marks: dict[str, _Mark] = Field(min_length=1)
    limits: _Limits
    cautions: list[str] = Field(min_length=1)
    note: str = ""
    pot_life_h: _Figure | None = None
    volume_solids: _Share | None = None


class _Step(Strict):
    key: Id
    kind: str
    name: str = Field(min_length=1, max_length=80)
    how: str = Field(default="", max_length=500)
    material: Id | None = None
    coats: int = Field(default=0, ge=0, le=100)
    between: str = "recoat"
    after: str | None = None
    until: str | None = None

    @model_validator(mode="after")
    def _sense(self) -> _Step:
        if self.kind not in STEP_KINDS:
            raise ValueError(f"kind: {self.kind!r} is none of {', '.join(STEP_KINDS)}")
        if bool(self.material) != bool(self.coats):
            raise ValueError("material and coats go together")
        if self.until and (self.material or self.after):
            raise ValueError("a step with until is only a wait: no material, no after")
        return self


class _Schedule(Strict):
    id: Id
    name: str = Field(min_length=1, max_length=120)
    steps: list[_Step] = Field(min_length=1, max_length=200)

    @model_validator(mode="after")
    def _unique(self) -> _Schedule:
        keys = [step.key for step in self.steps]
        doubled = sorted({key for key in keys if keys.count(key) > 1})
        if doubled:
            raise ValueError(f"steps: key used twice: {', '.join(doubled)}")
        return self


def parse_material(text: str, where: str) -> Material:
    """Read one material.

    Raises
    ------
    CatalogueError
        Naming ``where``, the line, the field and what is wrong with it.
    """
    m = parsed(_Material, text, where)
    law = DryingLaw(
        reference_c=m.drying.reference_c,
        reference_rh_pct=m.drying.reference_rh_pct,
        activation_kj_mol=m.drying.activation_kj_mol,
        film_exponent=m.drying.film_exponent,
        reference_film_um=m.drying.reference_film_um,
        rh_per_pct=m.drying.rh_per_pct,
    )
    marks = {name: mark.plain(name) for name, mark in m.marks.items()}
    blush = m.limits.blush_margin_k
    return Material(
        id=m.id,
        name=m.name,
        family=m.family,
        blend=None if m.blend is None else m.blend.plain(),
        usual_wet_um=m.usual_wet_um,
        retarder=m.retarder,
        drying=law,
        marks=marks,
        limits=Limits(
            air_min_c=m.limits.air_min_c.plain(),
            air_max_c=m.limits.air_max_c.plain(),
            rh_max_pct=m.limits.rh_max_pct.plain(),
            dew_point_margin_k=m.limits.dew_point_margin_k.plain(),
            blush_margin_k=None if blush is None else blush.plain(),
        ),
        cautions=tuple(m.cautions),
        note=m.note,
        pot_life_h=None if m.pot_life_h is None else m.pot_life_h.plain(),
        volume_solids=None if m.volume_solids is None else m.volume_solids.plain(),
    )


def parse_schedule(text: str, where: str) -> Schedule:
    """Read one schedule; raises :class:`CatalogueError` as :func:`parse_material` does."""
    s = parsed(_Schedule, text, where)
    return Schedule(s.id, s.name, tuple(Step(**step.model_dump()) for step in s.steps))


def load_catalogue(data_folder: Path | None = None) -> Catalogue:
    """Read what ships, then what the shop added or replaced in its data folder."""
    found = Catalogue({}, {})
    schedules: list[tuple[Schedule, str]] = []
    flaws: dict[str, FlawKind] = {}
    roots: list[Traversable] = [resources.files("service") / "data"]
    if data_folder is not None:
        roots.append(data_folder)
    for root in roots:
        for where, text in yaml_files(root / "materials"):
            found.add(parse_material(text, where), text, None)
        schedules += [
            (parse_schedule(text, where), text) for where, text in yaml_files(root / "schedules")
        ]
        for where, text in yaml_files(root / "flaws"):
            kind = parse_flaw_kind(text, where)
            flaws[kind.id] = kind
    found.flaw_kinds.update(sorted(flaws.items(), key=lambda item: (item[1].order, item[0])))
    for schedule, text in schedules:
        found.check(schedule)
        found.add(schedule, text, None)
    return found


def _check_marks(schedule: Schedule, materials: dict[str, Material]) -> None:
    """Every mark a step waits for must exist on the material that lies under it."""
    under: Material | None = None
    for step in schedule.steps:
        where = f"schedule {schedule.id}, step {step.key}"
        for waits, mark in (("after", step.after), ("until", step.until)):
            if mark is None:
                continue
            if under is None:
                raise CatalogueError(f"{where}: {waits}: no coat comes before this step")
            if mark not in under.marks:
                raise CatalogueError(f"{where}: {waits}: {under.id} has no mark {mark!r}")
        if step.material is not None:
            if step.material not in materials:
                raise CatalogueError(f"{where}: material: unknown material {step.material!r}")
            under = materials[step.material]
            if step.coats > 1 and step.between not in under.marks:
                raise CatalogueError(f"{where}: between: {under.id} has no mark {step.between!r}")
