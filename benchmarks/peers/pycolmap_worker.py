"""Runs inside a Python that has pycolmap: bundle adjustment of one rig by Ceres, repeated on demand.

    python pycolmap_worker.py PROBLEM.npz ANSWER.npz

Each line on standard input is a function tolerance and a solver's name, or "end". For each the problem is built
anew (not timed) and solved (timed); the answer is written and a line "seconds steps" goes to standard output.
Needs numpy and pycolmap only.
"""

import sys
import time

import numpy as np
import pycolmap


def pose(matrix):
    return pycolmap.Rigid3d(pycolmap.Rotation3d(matrix[:3, :3].copy()), matrix[:3, 3].copy())


def sensor(camera):
    return pycolmap.sensor_t(pycolmap.SensorType.CAMERA, camera + 1)


def reconstruction(problem):
    """The rig as COLMAP has it: the board is the fixed world, each board pose a frame of the moving rig."""
    rec = pycolmap.Reconstruction()
    width, height = (int(n) for n in problem["size"])
    for c, lens in enumerate(problem["lens"]):
        rec.add_camera(
            pycolmap.Camera(camera_id=c + 1, model="OPENCV", width=width, height=height, params=lens)
        )
    rig = pycolmap.Rig(rig_id=1)
    rig.add_ref_sensor(sensor(0))
    for c in range(1, len(problem["lens"])):
        rig.add_sensor(sensor(c), pose(problem["cam_from_rig"][c]))
    rec.add_rig(rig)
    ids = [rec.add_point3D(p, pycolmap.Track(), np.zeros(3, np.uint8)) for p in problem["points"]]
    for b, board in enumerate(problem["rig_from_board"]):
        frame = pycolmap.Frame(frame_id=b + 1, rig_id=1)
        images = []
        for m in np.flatnonzero(problem["board"] == b):
            image = pycolmap.Image(
                name=str(m),
                keypoints=problem["uv"][m],
                camera_id=int(problem["camera"][m]) + 1,
                image_id=int(m) + 1,
            )
            image.frame_id = b + 1
            frame.add_data_id(image.data_id)
            images.append(image)
        frame.rig_from_world = pose(board)
        rec.add_frame(frame)
        for image in images:
            rec.add_image(image)
            for k, point in enumerate(ids):
                rec.add_observation(point, pycolmap.TrackElement(image.image_id, k))
        rec.register_frame(b + 1)
    return rec


def adjuster(rec, tolerance, solver, loss_px):
    """Everything but the board's points is free; one thread. loss_px: scale of Cauchy's loss, 0 for squares."""
    config = pycolmap.BundleAdjustmentConfig()
    for i in rec.images:
        config.add_image(i)
    for p in rec.points3D:
        config.add_constant_point(p)
    options = pycolmap.BundleAdjustmentOptions()
    options.refine_focal_length = options.refine_principal_point = options.refine_extra_params = True
    options.refine_sensor_from_rig = options.refine_rig_from_world = True
    options.print_summary = False
    if loss_px > 0:
        options.ceres.loss_function_type = pycolmap.LossFunctionType.CAUCHY
        options.ceres.loss_function_scale = loss_px
    chosen = options.ceres.solver_options
    chosen.num_threads = 1
    chosen.function_tolerance, chosen.gradient_tolerance, chosen.parameter_tolerance = tolerance, 1e-14, 1e-12
    options.ceres.auto_select_solver_type = False
    chosen.linear_solver_type = type(chosen.linear_solver_type).__members__[solver]
    return pycolmap.create_default_bundle_adjuster(options, config, rec)


def written(path, problem, rec):
    n = len(problem["lens"])
    cam_from_rig = [np.eye(4)[:3]] + [rec.rigs[1].sensor_from_rig(sensor(c)).matrix() for c in range(1, n)]
    boards = [rec.frames[b + 1].rig_from_world.matrix() for b in range(len(problem["rig_from_board"]))]
    np.savez(
        path,
        lens=np.array([rec.cameras[c + 1].params for c in range(n)]),
        cam_from_rig=np.array(cam_from_rig),
        rig_from_board=np.array(boards),
    )


def main():
    problem = dict(np.load(sys.argv[1]))
    print(pycolmap.__version__, flush=True)
    for line in sys.stdin:
        words = line.split()
        if words[0] == "end":
            break
        rec = reconstruction(problem)
        adjust = adjuster(rec, float(words[0]), words[1], float(problem["loss_px"]))
        started = time.process_time()
        summary = adjust.solve()
        seconds = time.process_time() - started
        written(sys.argv[2], problem, rec)
        inner = getattr(summary, "ceres_summary", summary)
        print(seconds, getattr(inner, "num_successful_steps", -1), flush=True)


main()
