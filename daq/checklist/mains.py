"""The cautions that stand once above the list."""

from daq.physics.ampacity import NEVER_PERMISSION

CAUTIONS = (
    "Mains can kill. Wire, open and move meters only with the plug pulled, or have somebody qualified do it; the rules"
    " of your country and the makers' instructions stand above anything said here.",
    "This program only reads: it energises nothing, switches nothing and protects nobody. Never leave a running machine"
    " alone, and switch off at the plug.",
    NEVER_PERMISSION,
)
