"""The camera: its lens, which way is down, and the printed sheets that tell both.

``lens`` pinhole with distortion · ``profile`` stored cameras and the rules for other pictures · ``fov`` without a profile ·
``sheets``, ``pdf`` what is printed · ``detect`` finds it in a picture · ``views``, ``lens_fit``, ``calibration`` board to lens ·
``placement``, ``level`` where the camera stands and which way is down · ``check`` the angle target's verdict ·
``recording`` board and target in a recording · ``scale`` pixels to centimetres · ``known_length`` a length that the user knows ·
``reference`` a sheet in the patient's recording · ``use``, ``patient`` what measuring asks for · ``rendering``, ``filming`` pictures
and recordings through a known lens · ``files`` whole or absent.
"""
