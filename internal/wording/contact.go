package wording

// contact holds the words of the cautions beside contact times, time and temperature, weights and checks of instruments.
var contact = map[string]text{
	"caution.not-wash-validation":          {"From data on drinking water of low chlorine demand: it validates no wash of produce and judges no limit.", "De datos sobre agua potable de baja demanda de cloro: no valida ningún lavado de alimentos frescos y no juzga ningún límite."},
	"caution.above-table":                  {"The published table ends at 3 mg/L; its last row was used. At the levels of a produce wash that is not on the careful side.", "La tabla publicada termina en 3 mg/L; se usó su última fila. En los niveles de un lavado de alimentos frescos eso no queda del lado prudente."},
	"caution.warmer-than-table":            {"The published table ends at 25 °C; its last value was used.", "La tabla publicada termina en 25 °C; se usó su último valor."},
	"caution.between-tests":                {"Holds as long as the level did not dip below both tests around it.", "Vale mientras el nivel no haya bajado por debajo de las dos pruebas que lo rodean."},
	"caution.water-not-product":            {"This is the time of the water; leaves may float, sink or lag. Watch them.", "Es el tiempo del agua; las hojas pueden flotar, hundirse o retrasarse. Obsérvelas."},
	"caution.not-tracer-tested":            {"The baffling factor is a figure for drinking-water basins, unless a tracer test of this flume gave it.", "El factor de deflectores es una cifra para tanques de agua potable, salvo que venga de una prueba con trazador en este canal."},
	"caution.published-for-other-product":  {"Published for another food.", "Publicado para otro alimento."},
	"caution.unit-second-hand":             {"The unit of this rate was taken from others who use the source.", "La unidad de esta tasa se tomó de otros que usan la fuente."},
	"caution.no-lag":                       {"Growth is counted from the first minute, and no dying off where it is too cold to grow.", "El crecimiento se cuenta desde el primer minuto, y no se cuenta muerte donde hace demasiado frío para crecer."},
	"caution.between-readings":             {"Holds as long as the product was never warmer than the warmer of the two readings around it.", "Vale mientras el producto nunca haya estado más caliente que la más caliente de las dos lecturas que lo rodean."},
	"caution.weighing-uncertainty-unknown": {"The uncertainty of a scale is not known, so nothing says whether this difference is one.", "No se conoce la incertidumbre de una balanza, así que nada dice si esta diferencia es real."},
	"caution.shallow-slope":                {"The slope is so uncertain that the true uncertainty is larger than shown.", "La pendiente es tan incierta que la incertidumbre real es mayor que la mostrada."},
	"caution.standards-taken-as-exact":     {"The standards are taken to be exact; their own uncertainty comes on top.", "Los patrones se toman como exactos; su propia incertidumbre se suma."},
	"caution.interpolated":                 {"On a straight line between two printed values.", "En línea recta entre dos valores impresos."},
	"caution.weather-pressure":             {"For the mean air pressure of the altitude; the weather of the day moves the boiling point by some tenths of a degree.", "Para la presión media de la altitud; el tiempo del día mueve el punto de ebullición algunas décimas de grado."},
	"caution.cold-needs-ice-point":         {"Boiling water says little of cold readings: check a thermometer for baths or chillers in ice as well.", "El agua hirviendo dice poco de las lecturas frías: revise también en hielo el termómetro de tinas o enfriadores."},
	"caution.dilute-standard":              {"Above this level the colour of the test may bleach: check with a diluted standard.", "Por encima de este nivel el color de la prueba puede blanquearse: revise con un patrón diluido."},
}
