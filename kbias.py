import warnings; warnings.simplefilter("ignore")
import sys
from pathlib import Path
import numpy as np
import fieldscore.measures.readability, fieldscore.readable_rows
RD=sys.modules["fieldscore.measures.readability"]
from fieldscore import measure_flight
from fieldscore.simulate.truth import load_truth
from fieldscore.run import quiet_libraries
quiet_libraries()
for a in sys.argv[1:]:
    p=Path(a); t=load_truth(p); out=[]
    for sm,db in ((.5,.3),(.0,.3),(.0,1.0)):
        RD._SMEAR_CODES=sm; RD._DOUBT=db
        r=measure_flight([p])
        bins=np.abs(r.tiles.time_s[None,:]-t.tile_time_s[:,None]).argmin(axis=1)
        k,tk=r.tiles.readable[bins],t.cnr_block
        known=np.isfinite(k)&np.isfinite(tk)&~t.cnr_mask&t.link.astype(bool)[t.tile_index][:,None,None]
        near=known&(tk>3)&(tk<8); lv=t.tile_level_percent
        o='near5 %.2f'%np.median(k[near]/tk[near])
        for lo,hi in ((0,8),(8,15),(15,25),(25,50)):
            m=near&(lv>=lo)&(lv<hi)
            if m.sum()>50: o+=' %d-%d:%.2f'%(lo,hi,np.median(k[m]/tk[m]))
        o+=' share %.0f/%.0f agree %.0f'%(100*(k[known]>=5).mean(),100*(tk[known]>=5).mean(),100*((k[known]>=5)==(tk[known]>=5)).mean())
        out.append(f'[{sm} {db}] '+o)
    print(p.stem,'\n   '+'\n   '.join(out),flush=True)
