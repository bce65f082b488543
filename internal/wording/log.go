package wording

// logParts are the words of a part of the corrective-action log.
var logParts = map[string]text{
	"log.any-point": {"any", "cualquiera"},
	"log.lot":       {"Lot", "Lote"},
	"log.part":      {"This is a part of the log: only cases, without missed checks and changed reports; the numbering skips, and the counts of checks are of the whole period.", "Esto es una parte de la bitácora: solo casos, sin verificaciones no hechas ni informes corregidos; la numeración tiene saltos y los conteos de verificaciones son del periodo completo."},
	"log.none-part": {"No case of this point and lot in this period.", "Ningún caso de este punto y lote en este periodo."},
}
