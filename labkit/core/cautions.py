"""The cautions of every document for people, and in short of every run of the main job."""

CAUTIONS = (
    "For use under a licensed prescriber, who alone decides on start, steps and limits.",
    "Rules for custom-made devices are local: follow those of your country.",
    "Use only a material approved for use in the mouth and qualified for the machine that makes "
    "the rods.",
    "Small parts can be swallowed or inhaled: keep rods away from children, check them daily.",
    "Stop and call the clinic for jaw pain, loose teeth, a changed bite or a damaged rod.",
    "The example templates and process values have not been validated; do not treat patients "
    "with them.",
)

#: At the end of a run: one line.
CAUTIONS_IN_A_LINE = (
    "Cautions: only under a licensed prescriber and in a material approved for the mouth; small "
    "parts can be swallowed."
)
CAUTIONS_IN_SHORT = f"{CAUTIONS_IN_A_LINE} Read all of them: labkit guide cautions"
