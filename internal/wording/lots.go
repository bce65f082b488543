package wording

// lots are the words of the evidence, trace and export of lots.
var lots = map[string]text{
	"lot.evidence":              {"Evidence of control", "Evidencia de control"},
	"lot.before":                {"Last before", "Última antes"},
	"lot.during":                {"Readings meanwhile", "Lecturas mientras tanto"},
	"lot.after":                 {"First after", "Primera después"},
	"lot.gap":                   {"Without proof", "Sin prueba"},
	"lot.no-reading":            {"none near enough", "ninguna lo bastante cerca"},
	"lot.ct":                    {"at least {lowest} mg·min/L over the shortest contact of {minutes} min; shown as evidence, no ground for a release by itself", "al menos {lowest} mg·min/L en el contacto más corto de {minutes} min; se muestra como evidencia, por sí solo no justifica liberar"},
	"lot.ct-times-not-recorded": {"not worked out: a time of the lot in the bath is not recorded", "sin calcular: falta una hora del lote en la tina"},
	"lot.ct-not-between-readings": {"not worked out: there is no reading on both sides of the time in the bath",
		"sin calcular: no hay lectura a ambos lados del tiempo en la tina"},
	"lot.ct-no-single-value": {"not worked out: a reading has no value to count on", "sin calcular: una lectura no tiene un valor con el que contar"},
}
