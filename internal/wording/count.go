package wording

// counts say how many of a thing there are, one and many.
var counts = map[string]text{
	"count.boxes":           {"{n} boxes", "{n} cajas"},
	"count.boxes-one":       {"{n} box", "{n} caja"},
	"count.lots":            {"{n} lots", "{n} lotes"},
	"count.lots-one":        {"{n} lot", "{n} lote"},
	"count.shipments":       {"{n} shipments", "{n} embarques"},
	"count.shipments-one":   {"{n} shipment", "{n} embarque"},
	"count.people":          {"{n} people", "{n} personas"},
	"count.people-one":      {"{n} person", "{n} persona"},
	"count.instruments":     {"{n} instruments", "{n} instrumentos"},
	"count.instruments-one": {"{n} instrument", "{n} instrumento"},
	"count.records":         {"{n} records", "{n} registros"},
	"count.records-one":     {"{n} record", "{n} registro"},
}
