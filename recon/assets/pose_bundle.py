"""Turns bare TFLite body models into the bundle that MediaPipe Tasks' pose landmarker reads.

The landmarker wants two models in one uncompressed zip, each telling how its input picture is normalised. The
registries carry the models without that note. MediaPipe's own writer of it imports a compiled part that its
wheel does not carry, so the note is written here with MediaPipe's published table definitions
(mediapipe.tasks.metadata: ModelMetadata with NormalizationOptions, stored in the model's own `metadata` list).
"""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any

METADATA_NAME = b"TFLITE_METADATA"
DETECTOR_NORMALISATION = (127.5, 127.5)  # pixels 0..255 -> -1..1
LANDMARKS_NORMALISATION = (0.0, 255.0)  # pixels 0..255 -> 0..1
_ALIGN_BYTES = 4  # the landmarker maps the stored models into memory and wants them aligned
_ZIP_HEADER_BYTES = 30  # of a local file header before name and extra field (zip format, section 4.3.7)


def write_pose_bundle(path: Path, detector: bytes, landmarks: bytes) -> None:
    """Write a pose bundle to `path`. Same models in, same bytes out."""
    models = {
        "pose_detector.tflite": with_normalisation(detector, *DETECTOR_NORMALISATION),
        "pose_landmarks_detector.tflite": with_normalisation(landmarks, *LANDMARKS_NORMALISATION),
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as bundle:
        for name, data in models.items():
            _write_aligned(bundle, name, data)


def _write_aligned(bundle: zipfile.ZipFile, name: str, data: bytes) -> None:
    """Store one member so that its data starts at a multiple of _ALIGN_BYTES, with a fixed date."""
    info = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
    assert bundle.fp is not None  # the bundle is open
    start = bundle.fp.tell() + _ZIP_HEADER_BYTES + len(name)
    # An "extra" field of the zip format: two bytes id, two bytes length, then that many bytes.
    padding = (-(start + 4)) % _ALIGN_BYTES
    info.extra = b"\xff\xff" + padding.to_bytes(2, "little") + bytes(padding)
    bundle.writestr(info, data)


def with_normalisation(model_file: bytes, mean: float, std: float) -> bytes:
    """The same TFLite model with the note that its input is (pixel - mean) / std."""
    import flatbuffers  # type: ignore[import-untyped]  # here: only fetching needs it, and it is slow to load
    from mediapipe.tasks.metadata import schema_py_generated as schema

    model = schema.ModelT.InitFromObj(schema.Model.GetRootAsModel(model_file, 0))
    graph = model.subgraphs[0]
    note = schema.BufferT()
    note.data = _normalisation_note(len(graph.inputs), len(graph.outputs), mean, std)
    entries = list(model.metadata or [])
    for entry in entries:
        if entry.name == METADATA_NAME:
            model.buffers[entry.buffer] = note
            break
    else:
        model.buffers.append(note)
        entry = schema.MetadataT()
        entry.name, entry.buffer = METADATA_NAME, len(model.buffers) - 1
        model.metadata = [*entries, entry]
    builder = flatbuffers.Builder(len(model_file) + 4096)
    builder.Finish(model.Pack(builder), b"TFL3")
    return bytes(builder.Output())


def _normalisation_note(inputs: int, outputs: int, mean: float, std: float) -> bytes:
    """A packed ModelMetadata table for a model whose first input is a picture."""
    import flatbuffers
    from mediapipe.tasks.metadata import metadata_schema_py_generated as tables

    picture = _tensor(tables, tables.ContentProperties.ImageProperties, tables.ImagePropertiesT())
    picture.content.contentProperties.colorSpace = tables.ColorSpaceType.RGB
    step = tables.ProcessUnitT()
    step.optionsType = tables.ProcessUnitOptions.NormalizationOptions
    step.options = tables.NormalizationOptionsT()
    step.options.mean, step.options.std = [mean], [std]
    picture.processUnits = [step]
    picture.stats = tables.StatsT()
    picture.stats.min, picture.stats.max = [(0.0 - mean) / std], [(255.0 - mean) / std]

    def plain() -> Any:
        return _tensor(tables, tables.ContentProperties.FeatureProperties, tables.FeaturePropertiesT())

    graph = tables.SubGraphMetadataT()
    graph.inputTensorMetadata = [picture, *(plain() for _ in range(inputs - 1))]
    graph.outputTensorMetadata = [plain() for _ in range(outputs)]
    about = tables.ModelMetadataT()
    about.subgraphMetadata = [graph]
    about.minParserVersion = "1.0.0"  # image normalisation is there since the first version of the tables
    builder = flatbuffers.Builder(1024)
    builder.Finish(about.Pack(builder), b"M001")
    return bytes(builder.Output())


def _tensor(tables: Any, kind: int, properties: Any) -> Any:
    """A tensor's entry: what it holds."""
    tensor = tables.TensorMetadataT()
    tensor.content = tables.ContentT()
    tensor.content.contentPropertiesType, tensor.content.contentProperties = kind, properties
    return tensor
