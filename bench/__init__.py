"""For learners: a first look at what the rig and its commissioning do together."""
