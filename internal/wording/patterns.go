package wording

// patternTexts are the words of the page of patterns. They accuse nobody: what is listed is worth a look, no more.
var patternTexts = map[string]text{
	"patterns.title":       {"Patterns worth a look", "Patrones que vale la pena mirar"},
	"patterns.text":        {"What stands out in readings logged by hand. Looking changes no record and decides nothing.", "Lo que llama la atención en las lecturas registradas a mano. Mirar no cambia ningún registro ni decide nada."},
	"patterns.looked":      {"{readings} readings in {series} series were looked at.", "Se miraron {readings} lecturas en {series} series."},
	"patterns.more":        {"There are more; only the latest were looked at.", "Hay más; solo se miraron las últimas."},
	"patterns.none":        {"Nothing stands out.", "Nada llama la atención."},
	"patterns.chance":      {"Chance alone would do this in about 1 of {chance} such series.", "El puro azar haría esto en cerca de 1 de cada {chance} series así."},
	"patterns.chance-tiny": {"Chance alone would do this in less than 1 of 1,000,000 such series.", "El puro azar haría esto en menos de 1 de cada 1,000,000 series así."},
	"patterns.readings":    {"The readings", "Las lecturas"},
	"patterns.rest":        {"and {n} more", "y {n} más"},
	"patterns.means":       {"What this says, and what it does not", "Lo que esto dice y lo que no"},
	"patterns.no-proof":    {"No pattern proves that anything was done wrong. A flat line may be a well-kept bath, entries in one go a sheet of paper from a day without network, an odd last digit an instrument that shows only even ones. Ask first.", "Ningún patrón prueba que algo se hizo mal. Una línea plana puede ser una tina bien cuidada; registros de una vez, una hoja de papel de un día sin red; una última cifra rara, un instrumento que solo muestra pares. Pregunte primero."},
	"patterns.alarm":       {"Of each test that rests on chance, about 1 series in {n} that shows nothing of the kind is listed all the same; values that follow one another are listed more often.", "De cada prueba que depende del azar, cerca de 1 serie en {n} que no muestra nada así aparece igual en la lista; los valores que se siguen unos a otros aparecen más a menudo."},
	"patterns.wants":       {"Repeats need 20 values, flat stretches 40, last digits 50, and a crowd at a limit 10 near it: shorter series are not judged.", "Las repeticiones necesitan 20 valores, los tramos planos 40, las últimas cifras 50 y la acumulación junto a un límite 10 cerca de él: las series más cortas no se juzgan."},
	"nav.patterns":         {"Patterns", "Patrones"},

	"pattern.identical":        {"The same value again and again", "El mismo valor una y otra vez"},
	"pattern.identical-text":   {"{n} readings in a row, of {of}, are {value}.", "{n} lecturas seguidas, de {of}, son {value}."},
	"pattern.flat":             {"Flatter than the rest", "Más plano que el resto"},
	"pattern.flat-text":        {"{n} readings in a row, of {of}, move less than the others do.", "{n} lecturas seguidas, de {of}, se mueven menos que las demás."},
	"pattern.last-digits":      {"Last digits that are not spread evenly", "Últimas cifras repartidas de manera desigual"},
	"pattern.last-digits-text": {"The last digits of {of} readings are not spread as those of measurements mostly are.", "Las últimas cifras de {of} lecturas no se reparten como suelen hacerlo en las mediciones."},
	"pattern.just-inside":      {"Many values just inside a limit", "Muchos valores apenas dentro de un límite"},
	"pattern.just-inside-text": {"{n} of {of} readings lie just inside the limit, more than lie a little further inside.", "{n} de {of} lecturas están apenas dentro del límite, más que las que están un poco más adentro."},
	"pattern.in-one-go":        {"Entered in one go", "Registrado de una vez"},
	"pattern.in-one-go-text":   {"{n} readings with typed times that lie an hour or more apart were entered within minutes of one another.", "{n} lecturas con horas escritas a mano, separadas una hora o más, se registraron con minutos de diferencia."},
	"pattern.afterwards":       {"Entered long afterwards", "Registrado mucho después"},
	"pattern.afterwards-text":  {"{n} of {of} readings were entered longer after their typed time than the plan allows for.", "{n} de {of} lecturas se registraron más tiempo después de su hora escrita de lo que el plan prevé."},
}
