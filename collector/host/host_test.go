package host

import (
	"os"
	"path/filepath"
	"testing"

	"tickover/model"
)

// machine is a computer made of files below a folder.
func machine(t *testing.T, files map[string]string) (*Machine, string) {
	t.Helper()
	root := t.TempDir()
	for name, text := range files {
		path := filepath.Join(root, "sys", name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return Find(root, root), root
}

const firmware = "devices/platform/soc/soc:firmware/get_throttled"

func TestWhatABoardTells(t *testing.T) {
	disk, onDisk := diskOf(t.TempDir())
	files := map[string]string{"class/thermal/thermal_zone0/temp": "61842", firmware: "50005"}
	want := map[model.PointID]float64{model.HostTemperature: 61.842, model.HostUndervoltage: 1, model.HostUndervoltageSeen: 1, model.HostThrottled: 1}
	if onDisk {
		files["dev/block/"+disk+"/stat"] = "1 2 3 4 5 6 200 8 9 10 11"
		files["dev/block/"+disk+"/device/life_time"] = "0x02 0x03"
		want[model.HostCardWritten], want[model.HostCardWear] = 102400, 0.3
	}
	m, root := machine(t, files)
	scan := m.Scan(model.Instant{Boot: 1})
	if len(scan.Samples) != len(want) || scan.Measured != len(want) {
		t.Fatalf("told %+v", scan.Samples)
	}
	for _, s := range scan.Samples {
		if s.Quality != model.Good || s.Value != want[s.Point] {
			t.Errorf("%s is %+v, want %g", s.Point, s, want[s.Point])
		}
	}
	if err := os.WriteFile(filepath.Join(root, "sys", firmware), []byte("50000\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	now := m.Scan(model.Instant{Boot: 1})
	if s, _ := now.Find(model.HostUndervoltage); s.Value != 0 {
		t.Errorf("undervoltage is over, and told is %+v", s)
	}
	if s, _ := now.Find(model.HostUndervoltageSeen); s.Value != 1 {
		t.Errorf("undervoltage was, and told is %+v", s)
	}
}

func TestWhatIsNotThereIsLeftOut(t *testing.T) {
	if m, _ := machine(t, nil); len(m.Points()) != 0 || len(m.Scan(model.Instant{Boot: 1}).Samples) != 0 {
		t.Errorf("a computer without facts tells %v", m.Points())
	}
	m, root := machine(t, map[string]string{"class/hwmon/hwmon1/in0_lcrit_alarm": "0", firmware: "not a number"})
	if p := m.Points(); len(p) != 1 || p[model.HostUndervoltage].Quantity != model.State {
		t.Errorf("told %v", p)
	}
	if err := os.RemoveAll(filepath.Join(root, "sys")); err != nil {
		t.Fatal(err)
	}
	if s := m.Scan(model.Instant{Boot: 1}).Samples; len(s) != 1 || s[0].Quality != model.Bad {
		t.Errorf("a fact that went away is %+v", s)
	}
}
