package browsertest

import (
	"context"
	"encoding/pem"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"
)

// plantName is the host name of the plant in its own network (RFC 2606, section 2: .test is nobody's).
const plantName = "gel.plant.test"

// The hour without network again, over https under a host name that is not localhost, in a browser that trusts the
// plant's own authority as a tablet does, and with no certificate error waved through.
func TestOfflineOverHTTPS(t *testing.T) {
	h := newHouse(t, plantName)
	home := t.TempDir()
	trust(t, home, h.authority())
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.DisableGPU, chromedp.ExecPath(shared.chromium),
		chromedp.Env("HOME="+home), chromedp.Flag("host-resolver-rules", "MAP "+plantName+" 127.0.0.1"))
	alloc, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancel)
	browser, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	if err := chromedp.Do(browser, chromedp.Navigate("about:blank")); err != nil {
		t.Fatal(err)
	}
	b := newTabletWith(t, h, browser, "https://"+plantName+":"+h.wire.port())
	if !eval[bool](b.visit, `isSecureContext && location.protocol === "https:"`) {
		t.Fatal("the page is not secure")
	}
	offlineStory(t, h, b)
}

// A browser that does not know the plant's authority refuses it: the trust of the test above is what lets it in.
func TestHTTPSIsNotTrustedByItself(t *testing.T) {
	h := newHouse(t, "127.0.0.1")
	ctx, cancel := chromedp.NewContext(shared.browser, chromedp.WithNewBrowserContext())
	defer cancel()
	if err := chromedp.Do(ctx, chromedp.Navigate("https://"+h.wire.addr+"/sign-in")); err == nil {
		t.Error("a certificate of nobody's is taken")
	}
}

// authority is the plant's certificate, as a tablet fetches it; the name is mapped by hand.
func (h *house) authority() []byte {
	h.t.Helper()
	b, err := os.ReadFile(filepath.Join(h.dir, "tls", "plant-authority.crt"))
	h.must(err)
	if block, _ := pem.Decode(b); block == nil {
		h.t.Fatalf("no certificate: %.60s", b)
	}
	return b
}

// trust puts a certificate into the certificate store of a home, from which Chromium on Linux reads.
func trust(t *testing.T, home string, authority []byte) {
	t.Helper()
	tool, err := exec.LookPath("certutil")
	if err != nil {
		t.Fatalf("find certutil (apt-get install libnss3-tools): %v", err)
	}
	db := filepath.Join(home, ".pki", "nssdb")
	if err := os.MkdirAll(db, 0o700); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(home, "plant.crt")
	if err := os.WriteFile(file, authority, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"-N", "--empty-password"}, {"-A", "-t", "C,,", "-n", "plant authority", "-i", file}} {
		if out, err := exec.Command(tool, append([]string{"-d", "sql:" + db}, args...)...).CombinedOutput(); err != nil {
			t.Fatalf("certutil %v: %v: %s", args, err, out)
		}
	}
}
