"""What was learned from rendered people, as it is shipped: arrays and their card."""

from __future__ import annotations

from vision_rom.learned.store import load_arm_network, load_bias_lines, load_camera_tilt, load_interval_factors

__all__ = ["load_arm_network", "load_bias_lines", "load_camera_tilt", "load_interval_factors"]
