"""Draws athlete, racket and ball off-screen in a window of a straight (pinhole) picture, with coverage."""

from __future__ import annotations

import numpy as np
import vtk
from vtk.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray, vtk_to_numpy

from calibration.checks import Array
from calibration.geometry import Camera
from demo_rigs.appearance import BALL_COLOUR, Dressed, racket_mesh
from demo_rigs.lens_map import SCALE, Window
from demo_rigs.lighting import NOON, Lighting
from demo_rigs.racket_ball import BALL_RADIUS_M, Grip

vtk.vtkLogger.SetStderrVerbosity(vtk.vtkLogger.VERBOSITY_ERROR)  # no display is no reason for a warning
_BUCKET = 96  # the off-screen picture's size changes in steps, so that it is rarely re-allocated
_BALL_STEPS = 4
_BALL_AMBIENT = 0.42


class Stage:
    """Athlete, racket and ball of one serve before one camera's pinhole."""

    def __init__(
        self, camera: Camera, dressed: Dressed, grip: Grip, lighting: Lighting = NOON, *, tape: bool = True
    ) -> None:
        self.camera, self._lighting = camera, lighting
        self._window = vtk.vtkRenderWindow()
        self._window.SetOffScreenRendering(1)
        self._window.SetAlphaBitPlanes(1)
        self._window.SetMultiSamples(0)
        self._size = (0, 0)
        self._renderer = vtk.vtkRenderer()
        self._renderer.SetBackground(0, 0, 0)
        self._renderer.SetBackgroundAlpha(0.0)
        self._window.AddRenderer(self._renderer)
        self._place_camera()
        self._lights()
        self._skin = _mesh(dressed.vertices_m, dressed.faces, dressed.colours, dressed.normals)
        vertices, faces, colours, strings, string_colour = racket_mesh(grip, tape=tape)
        self._add(self._skin, 0.34, 0.06)
        self._racket_actor = self._add(_mesh(vertices, faces, colours, None), 0.45, 0.15)
        self._string_actor = self._add_strings(strings, string_colour)
        self._ball_actor = self._add_ball()

    def move(self, vertices_m: Array, normals: Array, hand_R: Array, hand_t_m: Array, ball_m: Array) -> None:
        """Puts everything in its place. hand_R may contain a reflection; NaN ball: out of sight."""
        points = numpy_to_vtk(np.ascontiguousarray(vertices_m, dtype=np.float32), deep=1)
        self._skin.GetPoints().SetData(points)
        self._skin.GetPointData().SetNormals(
            numpy_to_vtk(np.ascontiguousarray(normals, dtype=np.float32), deep=1)
        )
        self._skin.Modified()
        matrix = vtk.vtkMatrix4x4()
        for i in range(3):
            for j in range(3):
                matrix.SetElement(i, j, float(hand_R[i, j]))
            matrix.SetElement(i, 3, float(hand_t_m[i]))
        self._racket_actor.SetUserMatrix(matrix)
        self._string_actor.SetUserMatrix(matrix)
        self._ball_seen = bool(np.isfinite(ball_m).all())
        if self._ball_seen:
            self._ball_actor.SetPosition(*map(float, ball_m))

    def hide_racket(self) -> None:
        """From now on: for people who carry none."""
        self._racket_actor.VisibilityOff()
        self._string_actor.VisibilityOff()

    def draw(self, at: Window, *, ball: bool) -> Array:
        """Window of the straight picture, SCALE times finer: (h, w, 4) uint8, colour × coverage, coverage."""
        self._ball_actor.SetVisibility(ball and self._ball_seen)
        width, height = (at.right - at.left) * SCALE, (at.bottom - at.top) * SCALE
        full = tuple(-(-n // (_BUCKET * SCALE)) * _BUCKET * SCALE for n in (width, height))
        if full != self._size:
            self._size = full
            self._window.SetSize(*self._size)
        # the wanted window fills the upper left part of the off-screen picture
        self._renderer.SetViewport(0, 1 - height / self._size[1], width / self._size[0], 1)
        self._renderer.GetActiveCamera().SetExplicitProjectionTransformMatrix(self._projection(at))
        self._window.Render()
        data = vtk.vtkUnsignedCharArray()
        low = self._size[1] - height
        self._window.GetRGBACharPixelData(0, low, width - 1, self._size[1] - 1, 0, data)
        return vtk_to_numpy(data).reshape(height, width, 4)[::-1]

    def ball_alone(self, window: Window, ball_m: Array) -> Array:
        """The ball by ray casting, lit like everything else: (h, w, 4) float32 in the distorted picture, 0-255.

        Quicker than the off-screen picture where the ball is far from the athlete, and exact.
        """
        step = (np.arange(_BALL_STEPS) + 0.5) / _BALL_STEPS - 0.5
        v = (np.arange(window.top, window.bottom)[:, None] + step).ravel()
        u = (np.arange(window.left, window.right)[:, None] + step).ravel()
        rays, c = self.camera.rays(np.stack(np.meshgrid(u, v), axis=-1)), self.camera.centre_m()
        along = rays @ (ball_m - c)
        gap = BALL_RADIUS_M**2 - ((ball_m - c) @ (ball_m - c) - along**2)
        hit = c + (along - np.sqrt(np.maximum(gap, 0)))[..., None] * rays
        normal = (hit - ball_m) / BALL_RADIUS_M
        light = np.full((*gap.shape, 3), _BALL_AMBIENT * self._lighting.ambient)
        for direction, strength, colour in self._lighting.lamps():
            d = direction / np.linalg.norm(direction)
            light += strength * np.maximum(normal @ d, 0)[..., None] * np.array(colour)
        shaded = np.minimum(np.array(BALL_COLOUR) * light, 1.0)
        fine = np.concatenate([shaded, np.ones((*gap.shape, 1))], axis=-1) * (gap > 0)[..., None] * 255
        h, w = window.bottom - window.top, window.right - window.left
        return fine.reshape(h, _BALL_STEPS, w, _BALL_STEPS, 4).mean(axis=(1, 3)).astype(np.float32)

    def _place_camera(self) -> None:
        view, pose = vtk.vtkCamera(), self.camera.cam_from_world
        centre = self.camera.centre_m()
        view.SetPosition(*centre)
        view.SetFocalPoint(*(centre + pose.R[2]))
        view.SetViewUp(*(-pose.R[1]))
        view.UseExplicitProjectionTransformMatrixOn()
        self._renderer.SetActiveCamera(view)

    def _projection(self, at: Window) -> vtk.vtkMatrix4x4:
        """OpenGL projection onto exactly the pixels of `at`: edges half a pixel outside the pixel centres."""
        fx, fy = self.camera.K_px[0, 0], self.camera.K_px[1, 1]
        cx, cy = self.camera.K_px[:2, 2]
        w, h, near, far = at.right - at.left, at.bottom - at.top, 0.5, 80.0
        m = vtk.vtkMatrix4x4()
        m.Zero()
        m.SetElement(0, 0, 2 * fx / w)
        m.SetElement(0, 2, 1 - 2 * (cx - at.left + 0.5) / w)
        m.SetElement(1, 1, 2 * fy / h)
        m.SetElement(1, 2, 2 * (cy - at.top + 0.5) / h - 1)
        m.SetElement(2, 2, -(far + near) / (far - near))
        m.SetElement(2, 3, -2 * far * near / (far - near))
        m.SetElement(3, 2, -1.0)
        return m

    def _lights(self) -> None:
        self._renderer.AutomaticLightCreationOff()
        for direction, strength, colour in self._lighting.lamps():
            light = vtk.vtkLight()
            light.SetLightTypeToSceneLight()
            light.SetPositional(0)
            light.SetFocalPoint(0, 0, 0)
            light.SetPosition(*map(float, direction))
            light.SetIntensity(strength)
            light.SetColor(*colour)
            self._renderer.AddLight(light)

    def _add(self, mesh: vtk.vtkPolyData, ambient: float, specular: float) -> vtk.vtkActor:
        mapper = vtk.vtkPolyDataMapper()
        mapper.SetInputData(mesh)
        actor = vtk.vtkActor()
        actor.SetMapper(mapper)
        look = actor.GetProperty()
        look.SetAmbient(ambient * self._lighting.ambient)
        look.SetDiffuse(1.0)
        look.SetSpecular(specular)
        look.SetSpecularPower(12)
        look.SetInterpolationToPhong()
        self._renderer.AddActor(actor)
        return actor

    def _add_strings(self, ends: Array, colour: Array) -> vtk.vtkActor:
        """Strings are thinner than a pixel: lines one sub-pixel wide and mostly see-through."""
        mesh = vtk.vtkPolyData()
        points = vtk.vtkPoints()
        points.SetData(numpy_to_vtk(np.ascontiguousarray(ends.reshape(-1, 3), dtype=np.float32), deep=1))
        cells = vtk.vtkCellArray()
        n = len(ends)
        pairs = np.column_stack([np.full(n, 2), np.arange(0, 2 * n, 2), np.arange(1, 2 * n, 2)])
        cells.ImportLegacyFormat(numpy_to_vtkIdTypeArray(np.ascontiguousarray(pairs.ravel()), deep=1))
        mesh.SetPoints(points)
        mesh.SetLines(cells)
        actor = self._add(mesh, 1.0, 0.0)
        look = actor.GetProperty()
        look.SetColor(*map(float, colour))
        look.LightingOff()
        look.SetOpacity(0.30)
        look.SetLineWidth(1)
        return actor

    def _add_ball(self) -> vtk.vtkActor:
        source = vtk.vtkSphereSource()
        source.SetRadius(BALL_RADIUS_M)
        source.SetThetaResolution(24)
        source.SetPhiResolution(24)
        source.Update()
        actor = self._add(source.GetOutput(), _BALL_AMBIENT, 0.0)
        actor.GetProperty().SetColor(*BALL_COLOUR)
        self._ball_seen = False
        return actor


def _mesh(vertices: Array, faces: Array, colours: Array, normals: Array | None) -> vtk.vtkPolyData:
    mesh = vtk.vtkPolyData()
    points = vtk.vtkPoints()
    points.SetData(numpy_to_vtk(np.ascontiguousarray(vertices, dtype=np.float32), deep=1))
    cells = vtk.vtkCellArray()
    packed = np.column_stack([np.full(len(faces), 4), faces]).astype(np.int64)
    cells.ImportLegacyFormat(numpy_to_vtkIdTypeArray(np.ascontiguousarray(packed.ravel()), deep=1))
    mesh.SetPoints(points)
    mesh.SetPolys(cells)
    rgb = numpy_to_vtk(np.ascontiguousarray(np.clip(colours * 255, 0, 255).astype(np.uint8)), deep=1)
    mesh.GetCellData().SetScalars(rgb)
    if normals is not None:
        mesh.GetPointData().SetNormals(numpy_to_vtk(np.ascontiguousarray(normals, dtype=np.float32), deep=1))
    return mesh
