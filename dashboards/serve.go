package dashboards

import (
	"compress/gzip"
	"fmt"
	"net/http"

	"github.com/klauspost/compress/gzhttp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Handler serves what g gathers to whoever scrapes it, compressed where that is taken: fast rather than small, since a
// scrape is repeated every few seconds on the same network. Its own counts go to registry.
func Handler(g *Gatherer, registry prometheus.Registerer) (http.Handler, error) {
	pack, err := gzhttp.NewWrapper(gzhttp.CompressionLevel(gzip.BestSpeed))
	if err != nil {
		return nil, fmt.Errorf("dashboards: compressing what is scraped: %w", err)
	}
	return pack(promhttp.HandlerForTransactional(g, promhttp.HandlerOpts{Registry: registry, EnableOpenMetrics: true, DisableCompression: true})), nil
}
