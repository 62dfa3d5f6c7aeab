"""What the patient reads, in words that a child of twelve understands; ``locale/`` has them in other languages."""

from __future__ import annotations

TITLES = {
    "abduction": "Arm up to the side",
    "scaption": "Arm up, half way between front and side",
    "flexion": "Arm up to the front",
    "extension": "Arm straight back",
    "external_rotation": "Hand out, elbow at your side",
    "internal_rotation": "Hand in, elbow at your side",
    "external_rotation_90": "Hand up and back, elbow at shoulder height",
    "internal_rotation_90": "Hand down, elbow at shoulder height",
    "hand_behind_back": "Hand behind your back",
    "elbow_flexion": "Bend your elbow",
    "elbow_extension": "Straighten your elbow",
}
HOW_TO_MOVE = {
    "abduction": "Let your arm hang. Keep your elbow straight. Lift your arm out to the side and up, thumb first, as high as you can. "
    "Keep your body still.",
    "scaption": "Let your arm hang. Keep your elbow straight. Lift your arm up, thumb first, half way between the front and the side, "
    "as high as you can.",
    "flexion": "Let your arm hang. Keep your elbow straight. Lift your arm to the front and up, as high as you can. Do not lean back.",
    "extension": "Let your arm hang. Keep your elbow straight. Move your arm back, as far as you can. Do not lean forward.",
    "external_rotation": "Press your elbow to your side. Bend it so that your hand points to the phone. Keep the elbow there. Move your "
    "hand out to the side, as far as you can.",
    "internal_rotation": "Press your elbow to your side. Bend it so that your hand points to the phone. Keep the elbow there. Move your "
    "hand in to your belly, as far as you can.",
    "external_rotation_90": "Lift your elbow out to shoulder height, so that it points to the phone. Bend it so that your hand points to "
    "the front. Move your hand up and back, as far as you can.",
    "internal_rotation_90": "Lift your elbow out to shoulder height, so that it points to the phone. Bend it so that your hand points to "
    "the front. Move your hand down, as far as you can.",
    "hand_behind_back": "Put the back of your hand on your back. Slide your thumb up along your spine, as high as you can.",
    "elbow_flexion": "Let your arm hang, palm to the front. Keep your elbow at your side. Bring your hand up to your shoulder, as far as "
    "you can.",
    "elbow_extension": "Let your arm hang, palm to the front. Make your elbow as straight as you can.",
}
HOW_TO_FILM = {
    "front": "Stand so that your chest faces the phone.",
    "back": "Stand with your back to the phone. Tie up long hair.",
    "side": "Stand so that the arm you move is next to the phone.",
    "turned": "Face the phone, then turn a little, so that the arm you move comes a bit closer to the phone.",
}
FAULTS = {
    "nobody": "We could not see you in the film. Make the room brighter and stand so that the phone sees your head, arms and hips.",
    "short": "The film is very short. Take your time: up, hold, down, three times.",
    "near": "You were very close to the phone. Move the phone back to about three big steps from you.",
    "far": "You were far away. Bring the phone closer, to about three big steps from you.",
    "cut_off": "A hand or a hip was outside the picture. Move the phone back a little, so that both hands stay in the picture.",
    "tilt": "The phone was leaning. Stand it up straight, at the height of your chest.",
    "roll": "The picture was crooked. Stand the phone straight and stand tall yourself.",
    "others": "Somebody else was in the picture. Only you should be in it.",
    "dark": "It was dark. Turn on the light, and do not stand in front of a window.",
    "direction": "You were turned the wrong way. Look at the drawing and turn as it shows.",
}
STOP_REASONS = {
    "pain": "It hurts more.",
    "numb": "My arm tingles or feels numb.",
    "slips": "It feels as if my shoulder slips.",
    "dizzy": "I feel dizzy, or my chest hurts, or I am short of breath.",
    "later": "I have no time now.",
}
