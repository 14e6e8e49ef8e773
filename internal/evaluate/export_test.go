package evaluate

// Withheld is what the second pass judges.
var Withheld = withheld
