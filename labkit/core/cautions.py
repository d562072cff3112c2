"""The cautions that every document for people and every run of the main job shows."""

CAUTIONS = (
    "For use under a licensed prescriber, who alone decides on start, steps and limits.",
    "Rules for custom-made devices are local: follow those of your country.",
    "The material must be approved for intra-oral use on the machine that builds it.",
    "Small parts can be swallowed or inhaled: keep rods away from children, check them daily.",
    "Stop and call the clinic for jaw pain, loose teeth, a changed bite or a damaged rod.",
    "Example templates and process values are not validated hardware.",
)
