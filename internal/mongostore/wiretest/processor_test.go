package wiretest

import (
	"bytes"
	"fmt"
	"os"
	"strconv"
	"time"
)

// processor is the time of the machine's processors that this process (instances and clients) and the server of the
// tests have used, as Linux counts it, in hundredths of a second.
type processor struct{ here, server time.Duration }

func watch() processor {
	p := processor{here: processorTime("self")}
	if server.Own() {
		p.server = processorTime(strconv.Itoa(server.process.Process.Pid))
	}
	return p
}

// used gives what was used since for each of some commands.
func (p processor) used(commands int) string {
	now := watch()
	each := func(d time.Duration) time.Duration { return (d / time.Duration(commands)).Round(time.Microsecond) }
	return fmt.Sprintf("processor for each: %s here, %s server", each(now.here-p.here), each(now.server-p.server))
}

// processorTime reads user and system time; 0 where the system does not tell.
func processorTime(process string) time.Duration {
	b, err := os.ReadFile("/proc/" + process + "/stat")
	if err != nil {
		return 0
	}
	fields := bytes.Fields(b[bytes.LastIndexByte(b, ')')+1:]) // from the state on, the third of proc(5)
	if len(fields) < 13 {
		return 0
	}
	total := time.Duration(0)
	for _, f := range fields[11:13] {
		n, err := strconv.ParseInt(string(f), 10, 64)
		if err != nil {
			return 0
		}
		total += time.Duration(n) * 10 * time.Millisecond
	}
	return total
}
