"""An invented fleet that speaks the published contract as devices would."""
