package manifest
import ("testing";"strings";"time";"path/filepath")
func TestZZ(t *testing.T){
 for n,c:=range map[string]string{"brk":strings.Repeat("[",200000),"brc":strings.Repeat("{a: ",50000),"dash":strings.Repeat("- ",100000),"keys":strings.Repeat("a: b\n",100000),"list":"a: ["+strings.Repeat("x, ",200000)+"]","anch":strings.Repeat("&a ",200000),"tag":strings.Repeat("!a ",200000),"docs":strings.Repeat("---\n",200000),"q":strings.Repeat("? ",100000),"sq":"a: "+strings.Repeat("'",500000),"ctrl":strings.Repeat("\x01\n",300000),"tabs":strings.Repeat("\t",1000000)+"a","long":"title: "+strings.Repeat("x",1000000), "tk": "title: x\nvaries: amp\nchain: [{slot: amp}]\ntakes:\n"+strings.Repeat("  - {name: aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa, file: b, repeat_of: aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaab}\n",500)} {
  s:=time.Now(); _,err:=Parse("m",[]byte(c)); d:=time.Since(s); e:=err.Error(); t.Logf("%s %v %.70q",n,d,e)
 }
 g,_:=filepath.Glob("../../examples/*.yaml"); g2,_:=filepath.Glob("../../examples/*/*.yaml")
 for _,p:=range append(g,g2...){ b:=readFile(t,p); c,err:=Parse(p,[]byte(b)); t.Log(p,err); if c!=nil {t.Log(c.Warnings)}; if verr:=compiled(t).Validate(plain(t,b)); verr!=nil {t.Log(verr)}}
}
